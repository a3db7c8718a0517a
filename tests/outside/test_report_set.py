"""`report` right after `stage`, without a watch, holds what `check` finds of the set; planned parts too."""

import json
import sys
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest

from tests.support.forks import forks
from tests.support.signals import white_noise
from tests.support.song import Song
from tests.support.wavefile import FLOAT

pytestmark = pytest.mark.long

RATE: Final = 48_000
PLANNED: Final = '[[planned]]\nname = "shaker"\nlike = "bells.wav"\ncount = 2\n'


def filled(song: Song) -> None:
    """Put a part, its copy 10 ms later under another name, and another part into a song, and stage it."""
    bells = white_noise(4 * RATE, 2, seed=1)
    late = np.concatenate((np.zeros((480, 2)), bells))[: len(bells)]
    parts = (("bells.wav", bells), ("glass.wav", late), ("drone.wav", white_noise(4 * RATE, 2, seed=3)))
    for name, samples in parts:
        song.put(name, samples, RATE, FLOAT)
    assert song.stage().code == 0


def test_copies_and_bus_are_in_the_report_without_a_watch(song: Song) -> None:
    """Both copies named and the bus's peak on the page; the second report reads no audio: the check is kept."""
    filled(song)
    assert song.stager("report", song.folder).code == 0
    page, notes = ((song.outbox / name).read_text("utf-8") for name in ("report.html", "notes.md"))
    assert "was not checked" not in page
    assert "copy of bells.wav" in page
    assert "copy of bells.wav" in notes
    peak = song.stager("check", song.folder, "--json").json()["bus"]["true_peak_dbtp"]
    assert f"{peak:.1f} dBTP" in page
    kept = (song.folder / ".stager" / "check.json").stat().st_mtime_ns
    assert song.stager("report", song.folder).code == 0
    assert (song.folder / ".stager" / "check.json").stat().st_mtime_ns == kept


def test_quick_examines_nothing(song: Song) -> None:
    """With --quick the page says that the set was not checked."""
    filled(song)
    assert song.stager("report", song.folder, "--quick").code == 0
    assert "was not checked" in (song.outbox / "report.html").read_text("utf-8")


def test_planned_parts_raise_the_forecast(song: Song) -> None:
    """Two more like one of three independent equal parts: 10 lg 5/3 = 2.2 dB more power (addition of powers)."""
    for n in range(3):
        song.put(("bells.wav", "drone.wav", "glass.wav")[n], white_noise(4 * RATE, 2, seed=n + 1), RATE, FLOAT)
    song.file.write_text(f"version = 1\n{PLANNED}", "utf-8")
    found = song.stager("check", song.folder, "--json").json()
    planned, bus = found["planned"], found["bus"]
    assert abs(planned["rise_db"] - 10 * np.log10(5 / 3)) < 0.3
    assert planned["low_dbtp"] <= bus["true_peak_dbtp"] + planned["rise_db"] <= planned["high_dbtp"]
    assert "2 planned parts" in planned["says"]


@pytest.mark.skipif(sys.platform != "linux", reason="a process that forks counts what is read")
def test_unchanged_stems_are_not_read_again(song: Song, tmp_path: Path) -> None:
    """After a report, `check` opens no audio and finds the same to the last figure; one changed stem is examined."""
    filled(song)
    first = song.stager("check", song.folder, "--for", "3", "--json")
    with forks(tmp_path / "forks") as server:

        def audio_read() -> tuple[dict[str, Any], list[str]]:
            ended = server.run("check", song.folder, "--for", "3", "--json", below=song.folder, kind="read")
            assert ended.code == first.code
            return json.loads(ended.stdout), [step for step in ended.steps if ".wav" in step and ".json" not in step]

        assert audio_read()[1] != []  # the control
        assert song.stager("report", song.folder).code == 0
        again, opened = audio_read()
        assert opened == []
        assert {**again, "at": ""} == {**first.json(), "at": ""}
        song.put("drone.wav", white_noise(4 * RATE, 2, seed=4), RATE, FLOAT)
        changed, opened = audio_read()
        assert opened != []
        assert changed["of"] != again["of"]
