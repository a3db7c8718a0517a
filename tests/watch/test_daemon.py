"""The daemon's own part: many projects, an end when nothing is left to do, and signals that end it."""

import os
import signal
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from stager.batch import News
from stager.errors import AlreadyWatched, PlaceGone
from stager.project import Project
from stager.staging import staging
from stager.watch import Daemon, Voice
from tests.making import in_memory, noise, project, tree, wav, written

STEM = wav(noise(4800, rms=0.02))


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Give a folder in memory: every stem syncs several times."""
    with in_memory() as folder:
        yield folder


def songs(folder: Path, *names: str) -> list[Project]:
    return [project(folder / name, "[project]\nsettle_s = 0.0\n") for name in names]


class Ear:
    """Hears everything that a daemon tells and says."""

    def __init__(self) -> None:
        self.told: list[tuple[str, str]] = []
        self.said: list[str] = []
        self.voice = Voice(self._tell, self.said.append)

    def _tell(self, song: Project, news: News) -> None:
        self.told.append((song.name, news.outcome.stem))


@pytest.mark.parametrize("poll", [True, False], ids=["polling", "events"])
def test_two_projects_until_idle(tmp_path: Path, poll: bool) -> None:
    """Every project is staged and told by its name; with nothing left to do the daemon ends by itself."""
    found, ear = songs(tmp_path, "one", "two"), Ear()
    for song in found:
        written(song.inbox / "a.wav", STEM)
    assert Daemon(found, ear.voice, poll=poll, until_idle_s=0.2).run() is None
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
    assert Daemon(songs(tmp_path, "one"), Ear().voice, poll=True, until_idle_s=None).run() == number
    timer.join()
    assert signal.getsignal(number) is before


def test_project_that_is_watched_already(tmp_path: Path) -> None:
    """Where one of several projects is held by another, nothing is begun, and no lock is kept."""
    one, two = songs(tmp_path, "one", "two")
    with staging(two), pytest.raises(AlreadyWatched, match="two: already"):
        Daemon([one, two], Ear().voice, poll=True, until_idle_s=0.0).run()
    with staging(one):
        pass


def test_folder_that_is_missing_at_the_start(tmp_path: Path) -> None:
    """Where an inbox is missing at the start, that is told, and nothing is begun."""
    (song,) = songs(tmp_path, "one")
    song.inbox.rmdir()
    with pytest.raises(PlaceGone, match="expected the inbox of one"):
        Daemon([song], Ear().voice, poll=True, until_idle_s=0.0).run()


def test_threads_end_with_it(tmp_path: Path) -> None:
    """When the watch is over no thread of it is left."""
    before = set(threading.enumerate())
    Daemon(songs(tmp_path, "one"), Ear().voice, poll=False, until_idle_s=0.0).run()
    assert set(threading.enumerate()) == before
