"""Tables, pages and notes from sidecars, ledger and the check of the set."""

from stager.report.collect import collect, last_outcome_at, outcomes_of
from stager.report.set_text import check_text
from stager.report.tables import REPORT_NAMES, cell, exact_cell, outcome_data, tables_are_newer, write_tables
from stager.report.terminal import (
    FINDING_WORDS,
    Row,
    convention,
    figure,
    gone_line,
    outcome_line,
    outcomes_text,
    rows_text,
    take_lines,
)

__all__ = [
    "FINDING_WORDS",
    "REPORT_NAMES",
    "Row",
    "cell",
    "check_text",
    "collect",
    "convention",
    "exact_cell",
    "figure",
    "gone_line",
    "last_outcome_at",
    "outcome_data",
    "outcome_line",
    "outcomes_of",
    "outcomes_text",
    "rows_text",
    "tables_are_newer",
    "take_lines",
    "write_tables",
]
