"""`report.json` and `report.csv`: the same outcomes, for scripts and for spreadsheets."""

import csv
import io
import json
from collections.abc import Sequence
from typing import Any, Final

from stager.errors import PlaceRefused
from stager.files import write_whole
from stager.model import Outcome, Refused, Sidecar
from stager.names import shown
from stager.project import Project

JSON_NAME: Final = "report.json"
CSV_NAME: Final = "report.csv"
REPORT_SCHEMA: Final = "stager/report/1"
FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
"""What makes a spreadsheet take a text for a formula."""

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
    """Give an outcome as it stands in every JSON document: a sidecar, or a refusal."""
    if isinstance(outcome, Refused):
        return outcome.to_data()
    return outcome.sidecar.model_dump(mode="json", by_alias=True)


def write_tables(project: Project, outcomes: Sequence[Outcome]) -> None:
    """Write both tables into the outbox.

    Raises:
        PlaceError: where it can't be written.
    """
    if project.outbox.resolve() != project.outbox:
        raise PlaceRefused(
            f"{shown(project.outbox)}: expected the outbox, found a link to {shown(project.outbox.resolve())}"
        )
    document = {
        "schema": REPORT_SCHEMA,
        "project": project.name,
        "outcomes": [outcome_data(outcome) for outcome in outcomes],
    }
    write_whole(project.outbox / JSON_NAME, (json.dumps(document, indent=2) + "\n").encode())
    write_whole(project.outbox / CSV_NAME, _csv(outcomes).encode())


def _csv(outcomes: Sequence[Outcome]) -> str:
    text = io.StringIO()
    table = csv.DictWriter(text, COLUMNS, restval="")
    table.writeheader()
    for outcome in outcomes:
        row = _refused_row(outcome) if isinstance(outcome, Refused) else _row(outcome.sidecar)
        table.writerow({column: _cell(value) for column, value in row.items()})
    return text.getvalue()


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


def _cell(value: object) -> object:
    """A number to two places; a text that no spreadsheet takes for a formula; nothing for None."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.2f}"
    text = str(value)
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text
