"""The tables: the same outcomes for scripts and spreadsheets, and no cell that a spreadsheet would run."""

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest

from stager.errors import PlaceRefused
from stager.model import Outcome, Refused, Staged
from stager.project import Project
from stager.report import outcome_data, tables, write_tables
from stager.report.tables import COLUMNS, exact_cell
from tests.support.folders import tree
from tests.support.records import levels, project, sidecar

REFUSED = Refused("b.wav", "bounces/b.wav", "truncated", "b.wav: cut")

CELLS = {
    "none": (None, ""),
    "two places": (-18.0, "-18.00"),
    "rounded": (3.14159, "3.14"),
    "a negative number is a number": (-0.5, "-0.50"),
    "text": ("kick.wav", "kick.wav"),
    "equals": ("=1+1.wav", "'=1+1.wav"),
    "plus": ("+kick.wav", "'+kick.wav"),
    "minus": ("-kick.wav", "'-kick.wav"),
    "at": ("@kick.wav", "'@kick.wav"),
    "tab": ("\tkick.wav", "'\tkick.wav"),
    "carriage return": ("\rkick.wav", "'\rkick.wav"),
    "line feed": ("\nkick.wav", "'\nkick.wav"),
    "full-width equals": ("\uff1d1+1.wav", "'\uff1d1+1.wav"),
    "full-width plus": ("\uff0bkick.wav", "'\uff0bkick.wav"),
    "full-width minus": ("\uff0dkick.wav", "'\uff0dkick.wav"),
    "full-width at": ("\uff20kick.wav", "'\uff20kick.wav"),
    "later in the text": ("kick=1.wav", "kick=1.wav"),
}


def rows(song: Project, *outcomes: Outcome) -> list[dict[str, str]]:
    write_tables(song, outcomes)
    text = (song.outbox / "report.csv").read_bytes().decode()
    return list(csv.DictReader(io.StringIO(text, newline="")))


def document(song: Project, *outcomes: Outcome) -> dict[str, Any]:
    write_tables(song, outcomes)
    found: dict[str, Any] = json.loads((song.outbox / "report.json").read_bytes())
    return found


@pytest.mark.parametrize(("value", "cell"), CELLS.values(), ids=CELLS.keys())
def test_cells(value: object, cell: str) -> None:
    """Numbers have two places, nothing is empty, and no text can be taken for a formula."""
    assert tables.cell(value) == cell


@pytest.mark.parametrize(
    ("gain_db", "cell"),
    [
        (2.0, "2.00"),
        (-12.3, "-12.30"),
        (0.0, "0.00"),
        (-0.0, "0.00"),
        (3.234, "3.234"),
        (-0.0015, "-0.0015"),
        (3 * 0.1, "0.30"),
        (None, ""),
    ],
)
def test_gains_keep_all_their_places(gain_db: float | None, cell: str) -> None:
    """A trim in thousandths can be undone from the table; a fraction that binary can't hold has no tail of digits."""
    assert exact_cell(gain_db) == cell


def test_row_of_a_staged_stem(tmp_path: Path) -> None:
    """A staged stem's row has its levels with their convention, its trim with its reason, and its copy."""
    (row,) = rows(project(tmp_path), Staged(sidecar()))
    assert list(row) == list(COLUMNS)
    assert (row["stem"], row["verdict"], row["rule"]) == ("kick.wav", "listen", "average")
    assert (row["average_dbfs"], row["average_reference"]) == ("-20.00", "full-scale sine = 0")
    assert (row["trim_db"], row["restore_fader_db"], row["decided_by"]) == ("2.00", "-2.00", "target")
    assert row["because"] == sidecar().trim.because
    assert (row["findings"], row["copy"], row["copy_average_dbfs"]) == ("clipped", "staged/kick.wav", "-18.00")


def test_fine_steps_keep_their_places_in_the_row(tmp_path: Path) -> None:
    """A trim in steps of 0.001 dB stands in its row as it is, and so does its fader; levels are rounded."""
    base = sidecar()
    trim = base.trim.model_copy(update={"gain_db": 3.234, "restore_fader_db": -3.234})
    (row,) = rows(project(tmp_path), Staged(base.model_copy(update={"trim": trim})))
    assert (row["trim_db"], row["restore_fader_db"], row["average_dbfs"]) == ("3.234", "-3.234", "-20.00")


def test_row_of_a_refused_stem(tmp_path: Path) -> None:
    """A refused stem has a row as well, with its code and sentence, and nothing else."""
    (row,) = rows(project(tmp_path), REFUSED)
    filled = {name: value for name, value in row.items() if value}
    assert filled == {"stem": "b.wav", "verdict": "refused: truncated", "because": "b.wav: cut"}


def test_silence_is_an_empty_cell(tmp_path: Path) -> None:
    """No level is an empty cell, not a zero."""
    (row,) = rows(project(tmp_path), Staged(sidecar(levels=levels(average_dbfs=None))))
    assert row["average_dbfs"] == ""


def test_names_with_commas_and_line_breaks(tmp_path: Path) -> None:
    """A name with what separates cells and rows stays one cell."""
    names = ["a,b.wav", 'a"b.wav', "a\nb.wav", "caf\u00e9.wav"]
    found = rows(project(tmp_path), *(Staged(sidecar(stem=name)) for name in names))
    assert [row["stem"] for row in found] == names


def test_json_document(tmp_path: Path) -> None:
    """The document has its schema, the project, and each outcome as it stands everywhere."""
    found = document(project(tmp_path, '[project]\nname = "Salt Road"\n'), Staged(sidecar()), REFUSED)
    assert (found["schema"], found["project"]) == ("stager/report/1", "Salt Road")
    assert found["outcomes"] == [json.loads(sidecar().to_json()), REFUSED.to_data()]


def test_outcome_data_is_the_sidecar() -> None:
    """An outcome in a document is the sidecar as it lies on the disk."""
    assert outcome_data(Staged(sidecar())) == json.loads(sidecar().to_json())
    assert outcome_data(REFUSED) == REFUSED.to_data()


def test_no_outcomes(tmp_path: Path) -> None:
    """An empty project has tables without rows."""
    song = project(tmp_path)
    assert rows(song) == []
    assert document(song)["outcomes"] == []


def test_tables_replace_those_of_before(tmp_path: Path) -> None:
    """The tables are ours, and only the last ones are there."""
    song = project(tmp_path)
    rows(song, REFUSED, REFUSED)
    assert len(rows(song, REFUSED)) == 1
    assert set(tree(song.outbox)) == {"report.csv", "report.json"}


def test_outbox_that_can_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the outbox refuses, that is a broken place."""
    song = project(tmp_path)

    def refuse(*_args: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("os.open", refuse)
    with pytest.raises(PlaceRefused, match="expected permission to write"):
        write_tables(song, [])
