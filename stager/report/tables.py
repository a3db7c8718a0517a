"""`report.json` and `report.csv`: the same outcomes, for scripts and for spreadsheets."""

import csv
import io
import json
import textwrap
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any, Final

from stager.model import Outcome, Refused, Sidecar
from stager.project import Project
from stager.staging.documents import Document, documents, write_document

JSON_NAME: Final = "report.json"
CSV_NAME: Final = "report.csv"
REPORT_NAMES: Final = (JSON_NAME, CSV_NAME, "report.html", "notes.md")
"""All that `report` writes; the tables first."""
REPORT_SCHEMA: Final = "stager/report/1"
FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What makes a spreadsheet take a text for a formula; the last four are the full-width forms of the first."""
EXACT: Final = frozenset({"trim_db", "restore_fader_db"})
"""Gains to be typed into a fader: with all decimals of their step, so that trim and fader cancel."""

COLUMNS: Final = (
    "stem",
    "role",
    "verdict",
    "rule",
    "average_dbfs",
    "average_reference",
    "sample_peak_dbfs",
    "true_peak_dbtp",
    "trim_db",
    "restore_fader_db",
    "decided_by",
    "because",
    "findings",
    "copy",
    "copy_average_dbfs",
    "copy_true_peak_dbtp",
)


def outcome_data(outcome: Outcome) -> dict[str, Any]:
    """Return an outcome as every JSON document has it: a sidecar, or a refusal."""
    if isinstance(outcome, Refused):
        return outcome.to_data()
    return outcome.sidecar.model_dump(mode="json", by_alias=True)


def write_tables(project: Project, outcomes: Iterable[Outcome]) -> list[Document]:
    """Write both tables into the outbox and return where; the outcomes need not be in memory together.

    Raises:
        PlaceError: where it can't be written.
    """
    text = io.StringIO()
    table = csv.DictWriter(text, COLUMNS, restval="")
    table.writeheader()
    first = write_document(project, JSON_NAME, _json(project.name, _into(table, outcomes)))
    return [first, write_document(project, CSV_NAME, [text.getvalue().encode()])]


def tables_are_newer(project: Project, than: datetime | None) -> bool:
    """Return whether both tables exist, and were written after this time."""
    try:
        written_s = [table.path.stat().st_mtime for table in documents(project, (JSON_NAME, CSV_NAME))]
    except OSError:
        return False
    return len(written_s) == len((JSON_NAME, CSV_NAME)) and (than is None or min(written_s) > than.timestamp())


def _json(name: str, outcomes: Iterable[Outcome]) -> Iterator[bytes]:
    """The document in pieces, laid out as `json.dumps` does with an indent of 2."""
    head = json.dumps({"schema": REPORT_SCHEMA, "project": name, "outcomes": []}, indent=2)
    yield head.removesuffix("]\n}").encode()
    between = "\n"
    for outcome in outcomes:
        yield (between + textwrap.indent(json.dumps(outcome_data(outcome), indent=2), " " * 4)).encode()
        between = ",\n"
    yield b"]\n}\n" if between == "\n" else b"\n  ]\n}\n"


def _into(table: "csv.DictWriter[str]", outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
    """Yield the outcomes, each written as a row of the table on the way."""
    for outcome in outcomes:
        row = _refused_row(outcome) if isinstance(outcome, Refused) else _row(outcome.sidecar)
        table.writerow({column: exact_cell(value) if column in EXACT else cell(value) for column, value in row.items()})
        yield outcome


def _refused_row(refused: Refused) -> dict[str, object]:
    return {"stem": refused.stem, "verdict": f"refused: {refused.refused}", "because": refused.says}


def _row(sidecar: Sidecar) -> dict[str, object]:
    levels, trim, made = sidecar.levels, sidecar.trim, sidecar.copy_
    return {
        "stem": sidecar.stem,
        "role": trim.role,
        "verdict": sidecar.verdict.value,
        "rule": trim.target.rule,
        "average_dbfs": levels.average_dbfs,
        "average_reference": f"full-scale {levels.average_reference} = 0",
        "sample_peak_dbfs": levels.sample_peak_dbfs,
        "true_peak_dbtp": levels.true_peak_dbtp,
        "trim_db": trim.gain_db,
        "restore_fader_db": trim.restore_fader_db,
        "decided_by": trim.decided_by.value,
        "because": trim.because,
        "findings": "; ".join(finding.code for finding in sidecar.findings),
        "copy": made.path if made else None,
        "copy_average_dbfs": made.average_dbfs if made else None,
        "copy_true_peak_dbtp": made.true_peak_dbtp if made else None,
    }


def exact_cell(value: object) -> object:
    """Return a gain to two places, or to as many more as it has."""
    if not isinstance(value, float):
        return cell(value)
    whole, _, places = f"{value + 0.0:.9f}".rstrip("0").partition(".")  # no minus before nothing
    return f"{whole}.{places:0<2}"


def cell(value: object) -> object:
    """Return a number to two places; a text that no spreadsheet takes for a formula; nothing for None."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.2f}"
    text = str(value)
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text
