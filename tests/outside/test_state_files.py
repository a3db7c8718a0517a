"""Whatever a state file says, no original and no file of others is lost, and one stem's fault is its own."""

import json
import sqlite3
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.bench.timing import STAGER, run
from tests.support.song import Song, SongMaker, sha256

pytestmark = pytest.mark.long

REPORTED = 5_000
"""Stems in a large report."""
TONE = 0.05 * np.sin(np.arange(24_000.0) / 20.0)


def test_ledger_that_names_an_original(make_song: SongMaker) -> None:
    """A ledger that names a file outside the outbox has nothing there removed when a stem is renamed."""
    song = make_song("")
    song.put("keep.wav", TONE)
    song.put("other.wav", 0.5 * TONE)
    song.stage()
    with sqlite3.connect(song.folder / ".stager" / "ledger.sqlite") as ledger:
        named = ("../bounces/keep.wav", sha256(song.inbox / "keep.wav"))
        ledger.execute("UPDATE stems SET copy_path = CAST(? AS BLOB), copy_sha256 = ? WHERE stem = 'other.wav'", named)
    ledger.close()
    (song.inbox / "other.wav").rename(song.inbox / "renamed.wav")
    assert song.stage().code == 0
    assert (song.inbox / "keep.wav").exists()


def test_folder_under_a_sidecars_name(make_song: SongMaker) -> None:
    """A folder where a sidecar belongs is the outcome of that stem; the others are staged."""
    song = make_song("")
    (song.outbox / "a.wav.json").mkdir(parents=True)
    for name in ("a.wav", "b.wav"):
        song.put(name, TONE)
    outcomes = song.outcomes()
    assert outcomes["a.wav"]["refused"] == "name_refused"
    assert outcomes["b.wav"]["copy"]["path"] == "staged/b.wav"


def test_lock_that_is_a_link(make_song: SongMaker) -> None:
    """Where the lock is a link to a person's file, that file keeps its text."""
    song = make_song("")
    song.put("a.wav", TONE)
    song.stage()
    (song.folder / "mine.txt").write_text("mine")
    lock = song.folder / ".stager" / "lock"
    lock.unlink()
    lock.symlink_to("../mine.txt")
    assert song.stage().code == 2
    assert (song.folder / "mine.txt").read_text() == "mine"


@pytest.mark.skipif(sys.platform == "win32", reason="memory of a process as Linux and macOS tell it")
def test_a_report_of_thousands_of_stems_is_no_sidecar(song: Song, tmp_path: Path) -> None:
    """`verify` needs no memory for each stem of the report that lies beside the copies: under 20 kB (getrusage(2))."""
    song.put("a.wav", TONE)
    assert song.stage().code == 0
    line, peaks_mb = (STAGER, "verify", song.folder), []
    document = json.loads((song.outbox / "report.json").read_text())
    for count in (1, REPORTED):
        (song.outbox / "report.json").write_text(json.dumps({**document, "outcomes": document["outcomes"] * count}))
        peaks_mb.append(run(line, log=tmp_path / "log").peak_mb)
    assert peaks_mb[1] - peaks_mb[0] < 0.02 * REPORTED
