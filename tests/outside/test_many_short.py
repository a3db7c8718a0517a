"""Hundreds of short stems, which several processes work on: the same files as by one thread, whoever dies meanwhile."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from tests.support.command import HUNG_S, environment
from tests.support.outbox import copies_in, drafts, wrongs
from tests.support.processes import Told, of_session, wait_for
from tests.support.song import Song, SongMaker, tree

pytestmark = [pytest.mark.long, pytest.mark.skipif(sys.platform != "linux", reason="processes are told by /proc")]
LINKED = '[[link]]\nname = "pair"\nmatch = ["pair *.wav"]\n'
COUNT = 310
NAMES = {*(f"hit {number:03}.wav" for number in range(COUNT)), "pair L.wav", "pair R.wav", "torn.wav"}


def fill(song: Song) -> Song:
    """Short stems of one channel and of two, a link, and one that is no audio."""
    noise = np.random.default_rng(11)
    for number in range(COUNT):
        song.put(f"hit {number:03}.wav", noise.normal(0, 0.02, (4_800 + number, 1 + number % 2)))
    for name, level in (("pair L.wav", 0.01), ("pair R.wav", 0.03)):
        song.put(name, noise.normal(0, level, 9_600))
    (song.inbox / "torn.wav").write_bytes(b"RIFF and no more")
    song.rest("torn.wav", 10.0)
    return song


@pytest.fixture
def pair(make_song: SongMaker) -> tuple[Song, Song]:
    """Return two songs that are alike, the first staged by one thread."""
    plain, other = (fill(make_song(LINKED, name)) for name in ("plain", "other"))
    assert plain.stage("--jobs", "1").code == 1
    return plain, other


def working(leader: int) -> list[int]:
    """Return the processes of a session that work on stems: those that have the compiler's library loaded."""
    found = []
    for pid in of_session(leader):
        try:
            if "llvmlite" in Path(f"/proc/{pid}/maps").read_text():
                found.append(pid)
        except OSError:
            continue
    return found


@contextmanager
def staged(song: Song, log: Path, *options: str) -> Iterator[subprocess.Popen[bytes]]:
    """Begin to stage in a session of its own, and wait until other processes are at work."""
    line = song.stager.line("stage", song.folder, "--jobs", "2", *options)
    with log.open("wb") as out:
        process = subprocess.Popen(line, stdout=out, stderr=out, env=environment(), start_new_session=True)
    try:
        wait_for(lambda: len(working(process.pid)) == 2 and len(list(song.outbox.glob("*.json"))) > 40)
        yield process
    finally:
        process.kill()
        process.wait(HUNG_S)


def test_processes_give_the_same(pair: tuple[Song, Song], tmp_path: Path) -> None:
    """Copies and sidecars are those of one thread, each stem is told once, and nothing lies or runs on."""
    plain, other = pair
    before, log = tree(other.inbox), tmp_path / "log"
    with staged(other, log) as process:
        assert process.wait(HUNG_S) == 1
    assert Told.of(log.read_text()).once(*NAMES)
    assert other.settled() == plain.settled()
    assert (drafts(other), of_session(process.pid), tree(other.inbox)) == ([], [], before)
    assert "Traceback" not in log.read_text()


def test_a_process_dies_in_the_middle(pair: tuple[Song, Song], tmp_path: Path) -> None:
    """One of them ended by SIGKILL, as by a system short of memory: all stems are staged, each is told once."""
    plain, other = pair
    log = tmp_path / "log"
    with staged(other, log) as process:
        os.kill(working(process.pid)[0], signal.SIGKILL)
        assert process.wait(HUNG_S) == 1
    assert Told.of(log.read_text()).once(*NAMES)
    assert other.settled() == plain.settled()
    assert (drafts(other), of_session(process.pid)) == ([], [])
    assert "Traceback" not in log.read_text()


def test_the_leader_dies_in_the_middle(pair: tuple[Song, Song], tmp_path: Path) -> None:
    """SIGKILL to the one that publishes ends the others too; what has its name is whole, the next run does the rest."""
    plain, other = pair
    with staged(other, tmp_path / "log") as process:
        process.kill()
        process.wait(HUNG_S)
        wait_for(lambda: not of_session(process.pid))
    assert wrongs(other, copies_in(plain.settled())) == []
    assert len(other.settled()) < len(plain.settled())
    assert other.stage("--jobs", "2").code == 1
    assert other.settled() == plain.settled()
    assert drafts(other) == []


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["SIGINT", "SIGTERM"])
def test_stopped_from_the_terminal(pair: tuple[Song, Song], tmp_path: Path, number: signal.Signals, code: int) -> None:
    """A signal to the whole group, as a terminal sends it, ends all processes without a word of theirs."""
    plain, other = pair
    log = tmp_path / "log"
    with staged(other, log) as process:
        os.killpg(process.pid, number)
        assert process.wait(HUNG_S) == code
        wait_for(lambda: not of_session(process.pid))
    assert "Traceback" not in log.read_text()
    assert drafts(other) == []
    assert wrongs(other, copies_in(plain.settled())) == []
    assert other.stage("--jobs", "2").code == 1
    assert other.settled() == plain.settled()


def test_few_that_are_new_begin_no_process(pair: tuple[Song, Song], tmp_path: Path) -> None:
    """Where all but a few stems are up to date, threads stage these: /proc shows no other process meanwhile."""
    plain, _ = pair
    for number in range(5):
        plain.put(f"new {number}.wav", np.random.default_rng(number).normal(0, 0.02, 4_800))
    line, seen = plain.stager.line("stage", plain.folder, "--jobs", "2"), set[int]()
    with (tmp_path / "log").open("wb") as out:
        process = subprocess.Popen(line, stdout=out, stderr=out, env=environment(), start_new_session=True)
    while process.poll() is None:
        seen.update(of_session(process.pid))
    assert process.returncode == 1
    assert seen == set()
    assert {f"new {number}.wav.json" for number in range(5)} <= plain.outbox_names()
