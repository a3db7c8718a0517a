"""A project kept watched: places that fail and come back, a project file that is edited, signs of life."""

import os
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from stager.errors import NoSpace, PlaceGone
from stager.project import load_project
from stager.staging.publish import Staging, staging
from stager.system.error_log import ERROR_LOG
from stager.watch import project_watch as watch_room
from stager.watch import supervisor as room
from stager.watch.listeners import Listeners
from stager.watch.resources import Resources, shared_resources
from stager.watch.status import read_status
from stager.watch.supervisor import EDIT_REST_S, LONGEST_PAUSE_S, PAUSE_S, Supervisor
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import wav

STEM = wav(white_noise(4800, rms=0.02))
AT_ONCE = "[project]\nsettle_s = 0.0\n"


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Return a folder in memory: every stem syncs several times."""
    with in_memory() as folder:
        yield folder


class Scene:
    """A supervisor on a clock of numbers, and what it told and said."""

    def __init__(self, folder: Path, resources: Resources, text: str = AT_ONCE) -> None:
        self.song = project(folder, text)
        self.told: list[str] = []
        self.said: list[str] = []
        listeners = Listeners(
            lambda _song, news: self.told.append(news.outcome.stem), lambda word: self.said.append(word.says)
        )
        self.supervisor = Supervisor(self.song, listeners, resources, lambda _supervisor: None)
        self.now_s = 0.0

    def run(self, seconds: float, until: Callable[[], bool] = lambda: False) -> None:
        """Advance the clock in steps of a quarter of a second; the worker threads get the time they need."""
        for _ in range(round(4 * seconds)):
            self.now_s += 0.25
            self.supervisor.step(self.now_s)
            time.sleep(0.01)
            if until():
                return

    def run_until(self, condition: Callable[[], bool]) -> None:
        self.run(1000.0, condition)
        assert condition()

    @property
    def copies(self) -> set[str]:
        return {name for name in tree(self.song.outbox) if name.endswith(".wav")}


@pytest.fixture
def resources() -> Iterator[Resources]:
    """Yield what the projects of a watch share."""
    with shared_resources(pytest.fail, poll=True) as found:
        yield found


@pytest.fixture
def scene(tmp_path: Path, resources: Resources) -> Iterator[Scene]:
    """Yield a supervisor that has begun."""
    found = Scene(tmp_path, resources)
    found.supervisor.begin(0.0)
    yield found
    found.supervisor.end()


def failing(*_given: object, **_named: object) -> Any:
    raise NoSpace("the disk is full")


def test_broken_place_pauses_and_goes_on(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the outbox fails the project says so once and pauses, then goes on by itself, and nothing is lost."""
    written(scene.song.inbox / "a.wav", STEM)
    with monkeypatch.context() as patch:
        patch.setattr(Staging, "publish_all", lambda _held, made: [p.discard() for _, p in made] and failing())
        scene.run_until(lambda: scene.supervisor.trouble is not None)
        begun_s = scene.now_s
        scene.run(3.0 * PAUSE_S)
        assert scene.supervisor.trouble_since_s == begun_s
        assert scene.supervisor.is_busy
        assert scene.copies == set()
    scene.run_until(lambda: scene.copies == {"a.wav"} and not scene.supervisor.is_busy)
    name = scene.song.name
    assert scene.said[1:] == [f"{name} pauses: the disk is full", f"{name} goes on"]
    assert scene.supervisor.trouble is None


def test_pauses_grow(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """A place that keeps failing is tried less and less, up to once a minute."""
    tries: list[float] = []

    def step(*_given: object, **_named: object) -> None:
        tries.append(scene.now_s)
        failing()

    monkeypatch.setattr(watch_room.ProjectWatch, "step", step)
    monkeypatch.setattr(time, "sleep", lambda _s: None)
    scene.run(300.0)
    pauses = [later - sooner for sooner, later in pairwise(tries)]
    assert pauses[:5] == [PAUSE_S, 2 * PAUSE_S, 4 * PAUSE_S, 8 * PAUSE_S, LONGEST_PAUSE_S]
    assert set(pauses[4:]) == {LONGEST_PAUSE_S}


def test_lock_is_free_in_a_pause(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a project pauses nothing of it is open, so that a disk can be taken out and another process may work."""
    with monkeypatch.context() as patch:
        patch.setattr(watch_room.ProjectWatch, "step", failing)
        scene.run_until(lambda: scene.supervisor.trouble is not None)
    with staging(scene.song):
        scene.run(PAUSE_S + 1.0)
        assert "already watched or staged by process" in str(scene.supervisor.trouble)
    scene.run_until(lambda: scene.supervisor.trouble is None)


def test_inbox_that_goes_away_and_comes_back(scene: Scene) -> None:
    """Where the inbox vanishes the project pauses, and what lies in it when it is back is staged."""
    scene.run(1.0)
    scene.song.inbox.rmdir()
    scene.run_until(lambda: scene.supervisor.trouble is not None)
    assert "expected the inbox" in scene.said[-1]
    written(scene.song.inbox / "a.wav", STEM)
    scene.run_until(lambda: scene.copies == {"a.wav"})


def test_another_folder_in_the_place_of_the_inbox(scene: Scene) -> None:
    """An inbox that is replaced between two looks, as by another disk, is watched without a word."""
    scene.run(1.0)
    scene.song.inbox.rename(scene.song.folder / "kept")
    written(scene.song.inbox / "a.wav", STEM)
    scene.run_until(lambda: scene.copies == {"a.wav"})
    assert scene.said[1:] == []


def test_first_opening_that_fails_is_an_error(tmp_path: Path, resources: Resources) -> None:
    """A watch that can't begin says so to whoever started it, and holds nothing."""
    found = Scene(tmp_path, resources)
    found.song.inbox.rmdir()
    with pytest.raises(PlaceGone, match="expected the inbox"):
        found.supervisor.begin(0.0)
    with pytest.raises(PlaceGone):
        found.supervisor.begun.result(0.0)


def edit(scene: Scene, text: str) -> None:
    scene.song.file.write_text(text, "utf-8")


def test_edited_project_file_is_taken_up(scene: Scene) -> None:
    """A sound project file is in force as soon as it has rested: stems get another trim under it."""
    written(scene.song.inbox / "a.wav", STEM)
    scene.run_until(lambda: scene.told == ["a.wav"])
    edit(scene, f"{AT_ONCE}\n[target]\nlevel_db = -30.0\n")
    scene.run_until(lambda: scene.told == ["a.wav", "a.wav"])
    assert scene.said[1:] == ["stager.toml was edited and is taken up"]
    assert scene.supervisor.project.settings.target.level_db == -30.0


def test_wrong_project_file_leaves_the_last_good_one(scene: Scene) -> None:
    """A project file with a mistake is said once, with its line, and the settings from before stay in force."""
    edit(scene, f"{AT_ONCE}\n[target]\nlevl_db = -30.0\n")
    scene.run(3.0)
    (says,) = scene.said[1:]
    assert says.startswith("project file not taken up, the last good one stays: ")
    assert "levl_db" in says
    written(scene.song.inbox / "a.wav", STEM)
    scene.run_until(lambda: scene.copies == {"a.wav"})
    assert scene.supervisor.project.settings == load_project_with(scene, AT_ONCE)


def load_project_with(scene: Scene, text: str) -> object:
    edit(scene, text)
    return load_project(scene.song.file).settings


def test_project_file_in_the_middle_of_being_written(scene: Scene) -> None:
    """While an editor writes, or where the file is gone, nothing is taken up and nothing said."""
    whole = scene.song.file.read_bytes()
    scene.song.file.unlink()
    scene.run(3.0)
    for step in range(6):
        scene.song.file.write_bytes(whole[: step + 3])
        os.utime(scene.song.file, (step, step))
        scene.run(EDIT_REST_S / 2)
    scene.song.file.write_bytes(whole)
    scene.run(3.0)
    assert scene.said[1:] == []


def test_comment_in_the_project_file(scene: Scene) -> None:
    """A comment changes nothing, and nothing is said or done."""
    written(scene.song.inbox / "a.wav", STEM)
    scene.run_until(lambda: scene.told == ["a.wav"])
    edit(scene, scene.song.file.read_text("utf-8") + "# louder?\n")
    scene.run(3.0)
    assert (scene.told, scene.said[1:]) == (["a.wav"], [])


def test_signs_of_life(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """Others read what the watch is doing: calm, at work, or why it pauses; and when it was last seen."""
    scene.run(1.0)
    status = read_status(scene.song)
    assert (status.state, status.pid, status.queue) == ("watching", os.getpid(), 0)
    monkeypatch.setattr(watch_room.ProjectWatch, "step", failing)
    scene.run(2.0)
    assert read_status(scene.song).says == "" or read_status(scene.song).state == "paused"
    assert (read_status(scene.song).state, read_status(scene.song).says) == ("paused", "the disk is full")


def test_sleep_brings_a_look_at_everything(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """After the machine slept everything is looked at once, whatever was told before."""
    asked: list[bool] = []
    monkeypatch.setattr(watch_room.ProjectWatch, "step", lambda _watch, _now_s, *, everything: asked.append(everything))
    naps = iter([False, True, False])
    monkeypatch.setattr(room.ClockJumps, "happened", lambda _clock_jumps: next(naps))
    scene.run(0.75)
    assert asked == [False, True, False]


def test_unexpected_error_pauses_and_goes_on(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error that nobody expected pauses the project with its traceback in a file, and it begins again by itself."""
    written(scene.song.inbox / "a.wav", STEM)
    tries: list[float] = []

    def step(*_given: object, **_named: object) -> None:
        tries.append(scene.now_s)
        raise ZeroDivisionError("seven")

    with monkeypatch.context() as patch:
        patch.setattr(watch_room.ProjectWatch, "step", step)
        scene.run(3.0 * PAUSE_S)
    assert [later - sooner for sooner, later in pairwise(tries)] == [PAUSE_S]
    log = scene.song.state / ERROR_LOG
    assert log.read_text("utf-8").count("ZeroDivisionError: seven") == len(tries)
    scene.run_until(lambda: scene.copies == {"a.wav"} and scene.supervisor.trouble is None)
    assert [says for says in scene.said if str(log) in says] == scene.said[1:3]
    assert scene.said[-1] == f"{scene.song.name} goes on"


def test_inbox_that_becomes_a_link_to_the_outbox(scene: Scene) -> None:
    """Where the inbox is replaced by a link to the outbox, copies aren't taken for originals: the project pauses."""
    written(scene.song.inbox / "a.wav", STEM)
    scene.run_until(lambda: scene.copies == {"a.wav"} and not scene.supervisor.is_busy)
    before = set(tree(scene.song.outbox))
    scene.song.inbox.rename(scene.song.folder / "kept")
    scene.song.inbox.symlink_to(scene.song.outbox)
    scene.run_until(lambda: scene.supervisor.trouble is not None)
    assert "expected a folder apart from the inbox" in str(scene.supervisor.trouble)
    scene.run(PAUSE_S)
    assert set(tree(scene.song.outbox)) == before
    scene.song.inbox.unlink()
    (scene.song.folder / "kept").rename(scene.song.inbox)
    scene.run_until(lambda: scene.supervisor.trouble is None)


def test_first_opening_that_fails_unexpectedly(
    tmp_path: Path, resources: Resources, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An unexpected error at the first opening is no end either: the project begins by itself after a pause."""
    found = Scene(tmp_path, resources)
    written(found.song.inbox / "a.wav", STEM)
    with monkeypatch.context() as patch:
        patch.setattr(watch_room.ProjectWatch, "__init__", lambda *_given: 1 // 0)
        found.run(1.0)
        assert found.supervisor.begun.exception() is None
        assert "ZeroDivisionError" in str(found.supervisor.trouble)
    found.run_until(lambda: found.copies == {"a.wav"})
    found.supervisor.end()
