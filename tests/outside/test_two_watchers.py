"""Two watches on one project: one works, the other says which process does, and takes over once that is gone."""

import re
import signal
import subprocess
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.support import wavefile
from tests.support.command import HUNG_S
from tests.support.signals import sine
from tests.support.song import Song, SongMaker, tree

pytestmark = pytest.mark.long

TOML = '[project]\nname = "Two"\nsettle_s = 0.2\n'
PART = wavefile.wave_bytes(sine(440, -30.0, 0.45))


def _until(what: Callable[[], Any], process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + HUNG_S
    while not what():
        assert process.poll() is None, "the command ended too early"
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.05)


def _status(song: Song) -> dict[str, Any]:
    result = song.stager("status", song.folder, "--json")
    assert result.code == 0
    return result.json()


def _copies(song: Song) -> dict[str, Any]:
    """What lies in the outbox but for the tables, which a watch may write anew when it ends."""
    return {name: state for name, state in tree(song.outbox).items() if not name.startswith(("report.", ".stager-"))}


def test_the_second_names_the_first_and_takes_over_after_its_death(make_song: SongMaker, tmp_path: Path) -> None:
    """By the folder, its file, or a link to it: exit 2 with the first's process; after kill -9 the next one works."""
    song, log = make_song(TOML), tmp_path / "log"
    (song.inbox / "first.wav").write_bytes(PART)
    (tmp_path / "linked").symlink_to(song.folder)
    with song.stager.started("watch", song.folder, log=log) as first:
        _until((song.outbox / "first.wav.json").exists, first)
        before = _copies(song)
        for place in (song.folder, song.file, tmp_path / "linked"):
            second = song.stager("watch", place)
            assert (second.code, second.stdout) == (2, "")
            assert re.search(rf"\b{first.pid}\b", second.stderr)
        assert _copies(song) == before
        first.kill()
        first.wait(HUNG_S)
    (song.inbox / "second.wav").write_bytes(PART)
    with song.stager.started("watch", song.folder, log=log) as next_one:
        _until((song.outbox / "second.wav.json").exists, next_one)
        refused = song.stager("watch", song.folder)
        assert refused.code == 2
        assert re.search(rf"\b{next_one.pid}\b", refused.stderr)
    assert log.read_text().count("staged first.wav") == 1


def test_of_two_that_start_at_once_one_works(make_song: SongMaker, tmp_path: Path) -> None:
    """However close they start, exactly one goes on, the others exit 2, and every stem has one outcome."""
    song, logs = make_song(TOML), [tmp_path / f"log{number}" for number in range(3)]
    (song.inbox / "part.wav").write_bytes(PART)
    with ExitStack() as stack:
        started = [stack.enter_context(song.stager.started("watch", song.folder, log=log)) for log in logs]
        deadline = time.monotonic() + HUNG_S
        while sum(one.poll() is not None for one in started) < 2 or not (song.outbox / "part.wav.json").exists():
            assert time.monotonic() < deadline, "hung"
            time.sleep(0.05)
        assert sorted(one.poll() or 0 for one in started) == [0, 2, 2]
        works = next(one for one in started if one.poll() is None)
        works.terminate()
        assert works.wait(HUNG_S) == 0
    said = "".join(log.read_text() for log in logs)
    assert said.count("staged part.wav") == 1
    assert len(re.findall(rf"\b{works.pid}\b", said)) == 2


def test_status_tells_from_another_shell(make_song: SongMaker, tmp_path: Path) -> None:
    """Not watched, at work, watching with its failures, and, after kill -9, not watched but last seen then."""
    song, log = make_song(TOML), tmp_path / "log"
    assert _status(song)["state"] == "not_watched"
    (song.inbox / "part.wav").write_bytes(PART)
    (song.inbox / "cut.wav").write_bytes(PART[:1000])
    with song.stager.started("watch", song.folder, log=log) as watch:
        _until((song.outbox / "part.wav.json").exists, watch)
        _until(lambda: "refused cut.wav" in log.read_text(), watch)
        _until(lambda: _status(song)["state"] == "watching", watch)
        status = _status(song)
        assert {"schema", "project", "state", "last_seen_at", "queue", "failures"} <= status.keys()
        assert (status["schema"], status["project"], status["queue"]) == ("stager/status/1", "Two", 0)
        assert [(failure["stem"], failure["refused"]) for failure in status["failures"]] == [("cut.wav", "truncated")]
        before = tree(song.folder / ".stager")
        lines = song.stager("status", song.folder)
        assert "cut.wav" in lines.stdout
        assert "Two" in lines.stdout
        assert before.keys() <= tree(song.folder / ".stager").keys()
        watch.kill()
        watch.wait(HUNG_S)
    dead = _status(song)
    assert dead["state"] == "not_watched"
    assert dead["last_seen_at"] >= status["last_seen_at"]


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="this system does not halt processes")
def test_status_shows_a_file_that_is_waited_for(make_song: SongMaker, tmp_path: Path) -> None:
    """A file that a program still holds open is shown as waited for, and staged once it is let go of."""
    song, log = make_song(TOML), tmp_path / "log"
    with song.stager.started("watch", song.folder, log=log) as watch:
        _until(lambda: "watching" in log.read_text(), watch)
        with (song.inbox / "held.wav").open("wb") as held:
            held.write(PART)
            held.flush()
            _until(lambda: _status(song)["queue"] == 1, watch)
            _until(lambda: "held.wav" in log.read_text(), watch)
            assert "held.wav" in song.stager("status", song.folder).stdout
            assert song.outbox_names() == set()
        _until((song.outbox / "held.wav.json").exists, watch)
