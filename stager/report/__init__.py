"""Sidecars and ledger into tables that people and scripts read."""

from stager.report.collect import collect
from stager.report.set_text import check_text
from stager.report.tables import outcome_data, write_tables
from stager.report.terminal import (
    VERDICT_WORDS,
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
    "VERDICT_WORDS",
    "Row",
    "check_text",
    "collect",
    "convention",
    "figure",
    "gone_line",
    "outcome_data",
    "outcome_line",
    "outcomes_text",
    "rows_text",
    "take_lines",
    "write_tables",
]
