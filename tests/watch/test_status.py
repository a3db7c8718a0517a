"""The sign of life of a watch, and what another process reads from it."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

from stager.errors import UnreadableStem
from stager.project import Project
from stager.staging.ledger import LOCK
from stager.staging.publish import staging
from stager.system.locks import locked
from stager.watch.status import STATUS_NAME, Doing, read_status, renew_status, write_status
from tests.support.folders import written
from tests.support.records import project


def test_nobody_watches(tmp_path: Path) -> None:
    """A project that was never watched says so."""
    status = read_status(project(tmp_path))
    assert (status.state, status.pid, status.last_seen_at, status.queue) == ("not_watched", None, None, 0)


def test_what_a_watch_is_doing(tmp_path: Path) -> None:
    """State, queue, reasons and process are those of the watch that holds the lock."""
    song = project(tmp_path)
    with locked(song.state / LOCK):
        write_status(song, Doing("busy", 3, {"a.wav": "a.wav: held"}))
        status = read_status(song)
    assert (status.state, status.pid, status.queue) == ("busy", os.getpid(), 3)
    assert status.waiting == (("a.wav", "a.wav: held"),)
    assert status.to_data()["waiting"] == [{"stem": "a.wav", "says": "a.wav: held"}]


def test_sign_of_a_dead_watch(tmp_path: Path) -> None:
    """What a killed watch left is no state, only the hour it was last seen."""
    song = project(tmp_path)
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    write_status(song, Doing("paused", says="the disk is full"))
    left = (song.state / STATUS_NAME).read_text("utf-8")
    (song.state / STATUS_NAME).write_text(left.replace(str(os.getpid()), str(ended.pid)), "utf-8")
    status = read_status(song)
    assert (status.state, status.says) == ("not_watched", "")
    assert status.last_seen_at is not None


def test_watch_that_pauses_is_one_that_runs(tmp_path: Path) -> None:
    """While it pauses a watch holds no lock, and yet it is there and says why; for long without a sign it is not."""
    song = project(tmp_path)
    write_status(song, Doing("paused", says="the disk is full"))
    status = read_status(song)
    assert (status.state, status.pid, status.says) == ("paused", os.getpid(), "the disk is full")
    left = json.loads((song.state / STATUS_NAME).read_bytes())
    written(song.state / STATUS_NAME, json.dumps(left | {"at": "2026-01-01T00:00:00+00:00"}).encode(), age_s=1e6)
    assert read_status(song).state == "not_watched"


def test_sign_that_is_renewed(tmp_path: Path) -> None:
    """A watch that does what it did shows that it lives by the time stamp of its own file, and of no other."""
    song = project(tmp_path)
    assert renew_status(song, 1) is None
    assert write_status(song, Doing("paused"))
    then = time.time() - 1e6
    os.utime(song.state / STATUS_NAME, (then, then))
    written = (song.state / STATUS_NAME).read_bytes()
    assert renew_status(song, 1) is None
    assert renew_status(song, (song.state / STATUS_NAME).stat().st_mtime_ns)
    assert (song.state / STATUS_NAME).read_bytes() == written
    assert time.time() - (song.state / STATUS_NAME).stat().st_mtime < 60.0
    assert read_status(song).state == "paused"


def test_lock_held_by_a_batch(tmp_path: Path) -> None:
    """While `stage` holds the lock, what an earlier watch left does not count: somebody is at work."""
    song = project(tmp_path)
    code = "import os; print(os.getpid())"
    other = int(subprocess.check_output([sys.executable, "-c", code]))
    written(
        song.state / STATUS_NAME, f'{{"pid": {other}, "state": "paused", "at": "2026-01-01T00:00:00+00:00"}}'.encode()
    )
    with locked(song.state / LOCK):
        assert read_status(song).state == "busy"


def test_broken_sign(tmp_path: Path) -> None:
    """A file that says nothing is passed over."""
    song = project(tmp_path)
    for content in (b"", b"[1]", b"{"):
        written(song.state / STATUS_NAME, content)
        assert read_status(song).state == "not_watched"


def refuse(song: Project, name: str) -> None:
    with staging(song) as held:
        held.refuse(held.job(name), UnreadableStem(name, "expected audio"))


def test_failures_are_those_that_still_lie_there(tmp_path: Path) -> None:
    """Refused stems are listed until they are taken out of the inbox."""
    song = project(tmp_path)
    refuse(song, "a.wav")
    refuse(song, "b.wav")
    with staging(song) as held:
        assert held.note_gone({"a.wav"}) == ()
    (failure,) = read_status(song).failures
    assert failure.to_data() == {
        "stem": "a.wav",
        "source": {"path": f"{song.inbox.name}/a.wav"},
        "refused": "unreadable",
        "says": "expected audio",
    }
