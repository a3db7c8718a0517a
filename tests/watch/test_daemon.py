"""The daemon's own part: many projects, an end when nothing is left to do, and signals that end it."""

import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from stager.errors import AlreadyWatched, NoSpace, PlaceError, PlaceGone, Stopped
from stager.project import Project
from stager.staging import queue
from stager.staging.publish import staging
from stager.staging.queue import OutcomeEvent
from stager.staging.stem import StemJob
from stager.system.cancel import check_stop, request_stop
from stager.watch import daemon as room
from stager.watch import project_watch as watch_room
from stager.watch import supervisor as keeper_room
from stager.watch.daemon import Daemon
from stager.watch.listeners import Listeners, LogLine
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import wav

STEM = wav(white_noise(4800, rms=0.02))


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Return a folder in memory: every stem syncs several times."""
    with in_memory() as folder:
        yield folder


def songs(folder: Path, *names: str) -> list[Project]:
    return [project(folder / name, "[project]\nsettle_s = 0.0\n") for name in names]


class Ear:
    """Hears everything that a daemon tells and says."""

    def __init__(self) -> None:
        self.told: list[tuple[str, str]] = []
        self.said: list[str] = []
        self.listeners = Listeners(self._tell, lambda word: self.said.append(word.says))

    def _tell(self, song: Project, news: OutcomeEvent) -> None:
        self.told.append((song.name, news.outcome.stem))


@pytest.mark.parametrize("poll", [True, False], ids=["polling", "events"])
def test_two_projects_until_idle(tmp_path: Path, poll: bool) -> None:
    """Every project is staged and told by its name; with nothing left to do the daemon ends by itself."""
    found, ear = songs(tmp_path, "one", "two"), Ear()
    for song in found:
        written(song.inbox / "a.wav", STEM)
    assert Daemon(found, ear.listeners, poll=poll, until_idle_s=0.2).run() is None
    assert sorted(ear.told) == [("one", "a.wav"), ("two", "a.wav")]
    assert [says.split(" ")[0] for says in ear.said] == ["watching", "watching"]
    for song in found:
        assert {"a.wav", "a.wav.json"} <= set(tree(song.outbox))


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_ends_it(tmp_path: Path, number: signal.Signals) -> None:
    """Either signal ends the watch with its number told, and the handlers from before are back."""
    before = signal.getsignal(number)
    timer = threading.Timer(0.3, os.kill, (os.getpid(), number))
    timer.start()
    assert Daemon(songs(tmp_path, "one"), Ear().listeners, poll=True, until_idle_s=None).run() == number
    timer.join()
    assert signal.getsignal(number) is before


def test_project_that_is_watched_already(tmp_path: Path) -> None:
    """A project that another process holds is said, and the others are watched; alone it is an error."""
    (one, two), ear = songs(tmp_path, "one", "two"), Ear()
    written(one.inbox / "a.wav", STEM)
    with staging(two):
        assert Daemon([one, two], ear.listeners, poll=True, until_idle_s=0.0).run() is None
        assert ear.told == [("one", "a.wav")]
        assert [says for says in ear.said if says.startswith("not watched: ") and "two: already" in says]
        with pytest.raises(AlreadyWatched, match="two: already"):
            Daemon([two], Ear().listeners, poll=True, until_idle_s=0.0).run()
    with staging(one):
        pass


def test_folder_that_is_missing_at_the_start(tmp_path: Path) -> None:
    """Where an inbox is missing at the start, that is told, and nothing is begun."""
    (song,) = songs(tmp_path, "one")
    song.inbox.rmdir()
    with pytest.raises(PlaceGone, match="expected the inbox of one"):
        Daemon([song], Ear().listeners, poll=True, until_idle_s=0.0).run()


def test_threads_end_with_it(tmp_path: Path) -> None:
    """When the watch is over no thread of it is left."""
    before = set(threading.enumerate())
    Daemon(songs(tmp_path, "one"), Ear().listeners, poll=False, until_idle_s=0.0).run()
    assert set(threading.enumerate()) == before


class Endless:
    """Stands in for `prepare`, but for one project reads until it is told to stop; the others wait for that one."""

    def __init__(self, name: str) -> None:
        self._name, self._real = name, queue.prepare
        self.begun, self.ended = threading.Event(), threading.Event()

    def __call__(self, job: StemJob) -> object:
        if job.project.name != self._name:
            self.begun.wait(10.0)
            return self._real(job)
        self.begun.set()
        try:
            while not self.ended.wait(0.005):
                check_stop()
        except Stopped:
            self.ended.set()
            raise
        return None


def test_signal_ends_a_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A signal ends a read at its next block; no draft is left, the tables are there, and later work is not stopped."""
    (song,), endless = songs(tmp_path, "one"), Endless("one")
    monkeypatch.setattr(queue, "prepare", endless)
    written(song.inbox / "a.wav", STEM)

    def end() -> None:
        endless.begun.wait(10.0)
        os.kill(os.getpid(), signal.SIGTERM)

    thread = threading.Thread(target=end)
    thread.start()
    assert Daemon([song], Ear().listeners, poll=True, until_idle_s=None).run() == signal.SIGTERM
    thread.join()
    assert endless.ended.is_set()
    assert set(tree(song.outbox)) == {"report.csv", "report.json"}
    check_stop()


def test_signal_while_another_stem_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A read that a signal ended, and that is looked at before the watch is over, ends it no other way."""
    (one, two), endless, ear = songs(tmp_path, "one", "two"), Endless("two"), Ear()
    monkeypatch.setattr(queue, "prepare", endless)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    for song in (one, two):
        written(song.inbox / "a.wav", STEM)

    def tell(song: Project, news: OutcomeEvent) -> None:
        ear.told.append((song.name, news.outcome.stem))
        os.kill(os.getpid(), signal.SIGTERM)
        assert endless.ended.wait(10.0)
        time.sleep(0.05)

    assert (
        Daemon([one, two], Listeners(tell, ear.listeners.line_listener), poll=True, until_idle_s=None).run()
        == signal.SIGTERM
    )
    assert ear.told == [("one", "a.wav")]
    assert set(tree(one.outbox)) == {"a.wav", "a.wav.json", "report.csv", "report.json"}
    assert "a.wav" in (one.outbox / "report.csv").read_text()
    assert set(tree(two.outbox)) == {"report.csv", "report.json"}


def test_former_request_does_not_hinder(tmp_path: Path) -> None:
    """A watch begins with work allowed, whatever was asked for before it."""
    (song,), ear = songs(tmp_path, "one"), Ear()
    written(song.inbox / "a.wav", STEM)
    request_stop()
    assert Daemon([song], ear.listeners, poll=True, until_idle_s=0.0).run() is None
    assert ear.told == [("one", "a.wav")]
    check_stop()


@pytest.mark.parametrize("fails", ["at the start", "in the middle"])
def test_work_is_allowed_after_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: str) -> None:
    """However a watch ends, later work is not told to stop, and the handlers from before are back."""
    (song,), before = songs(tmp_path, "one"), signal.getsignal(signal.SIGTERM)

    def stop(_watch: object, *_given: object, **_named: object) -> None:
        request_stop()
        raise ZeroDivisionError

    monkeypatch.setattr(watch_room.ProjectWatch, "__init__" if fails == "at the start" else "step", stop)
    for where in (room, keeper_room):
        monkeypatch.setattr(where, "PAUSE_S", 0.3)
    with pytest.raises(PlaceError, match="unexpected error, ZeroDivisionError"):
        Daemon([song], Ear().listeners, poll=True, until_idle_s=0.0).run()
    check_stop()
    assert signal.getsignal(signal.SIGTERM) is before


def test_what_one_project_throws_ends_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of ours in one project is logged with its traceback; another project is staged all the same."""
    (one, two), lines = songs(tmp_path, "one", "two"), list[LogLine]()
    for song in (one, two):
        written(song.inbox / "a.wav", STEM)
    real = watch_room.ProjectWatch.step

    def step(watch: watch_room.ProjectWatch, *given: Any, **named: Any) -> None:
        if watch.project.name == "one":
            raise ZeroDivisionError("seven")
        real(watch, *given, **named)

    monkeypatch.setattr(watch_room.ProjectWatch, "step", step)
    listeners = Listeners(lambda *_: os.kill(os.getpid(), signal.SIGTERM), lines.append)
    assert Daemon([one, two], listeners, poll=True, until_idle_s=None).run() == signal.SIGTERM
    assert {"a.wav", "a.wav.json"} <= set(tree(two.outbox))
    (traced,) = [line for line in lines if line.traceback]
    assert (traced.project, traced.level) == ("one", "warning")
    assert "ZeroDivisionError: seven" in str(traced.traceback)


def test_tables_are_there_at_the_end(tmp_path: Path) -> None:
    """A watch that had nothing to do leaves tables too."""
    (song,) = songs(tmp_path, "one")
    Daemon([song], Ear().listeners, poll=True, until_idle_s=0.0).run()
    assert set(tree(song.outbox)) == {"report.csv", "report.json"}


def test_trouble_that_lasts_ends_a_watch_with_an_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A watch that is to end by itself gives up on a place that keeps failing, after one more try, and says why."""
    (song,), ear, tries = songs(tmp_path, "one"), Ear(), list[int]()

    def failing(*_given: object) -> None:
        tries.append(1)
        raise NoSpace("the disk is full")

    monkeypatch.setattr(watch_room, "write_tables", failing)
    for where in (room, keeper_room):
        monkeypatch.setattr(where, "PAUSE_S", 0.3)
    with pytest.raises(PlaceError, match="the disk is full"):
        Daemon([song], ear.listeners, poll=True, until_idle_s=0.1).run()
    assert len(tries) >= 2
    assert set(ear.said[1:]) == {"one pauses: the disk is full"}


def test_trouble_that_passes_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A watch does not end while a place fails, though nothing happens for the idle time; then it goes on, and ends."""
    (song,), ear, left, real = songs(tmp_path, "one"), Ear(), [1, 1], watch_room.write_tables

    def failing(*given: Any) -> Any:
        if left:
            left.pop()
            raise NoSpace("the disk is full")
        return real(*given)

    monkeypatch.setattr(watch_room, "write_tables", failing)
    for where in (room, keeper_room):
        monkeypatch.setattr(where, "PAUSE_S", 0.3)
    assert Daemon([song], ear.listeners, poll=True, until_idle_s=0.0).run() is None
    assert ear.said[1:] == ["one pauses: the disk is full", "one goes on"]
    assert set(tree(song.outbox)) == {"report.csv", "report.json"}
