"""One audio file read from end to end: measured, and judged without a project."""
