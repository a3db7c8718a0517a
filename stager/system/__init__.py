"""The machine: files, locks, processes, threads, and compiled loops. What differs between systems stands here."""
