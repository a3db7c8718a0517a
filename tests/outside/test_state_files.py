"""Whatever a state file says, no original and no file of others is lost, and one stem's fault is its own."""

import sqlite3

import numpy as np
import pytest

from tests.support.song import SongMaker, sha256

pytestmark = pytest.mark.long

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
