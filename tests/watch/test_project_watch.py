"""One project under the daemon, on a clock of numbers: due, settled, at work, told, paused."""

import json
import os
from collections.abc import Callable, Collection, Iterator, Mapping
from concurrent.futures import Executor, Future
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stager.errors import NoSpace
from stager.model import Outcome, Refused, Staged
from stager.project import Project
from stager.staging.publish import Staging, staging
from stager.staging.queue import OutcomeEvent, StemQueue
from stager.system.open_files import Holder
from stager.watch import project_watch as room
from stager.watch.due import Holders
from stager.watch.events import Hints as Told
from stager.watch.project_watch import ProjectWatch
from stager.watch.scan import POLL_S, RESCAN_S
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import float_wav, wav

STEM = wav(white_noise(4800, rms=0.02))


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Return a folder in memory: every stem syncs several times."""
    with in_memory() as folder:
        yield folder


class Inline(Executor):
    """Does the work at once, in the calling thread."""

    def submit(self, work: Callable[..., Any], /, *args: Any, **keys: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(work(*args, **keys))
        except Exception as error:  # noqa: BLE001 - what an executor is for
            future.set_exception(error)
        return future


@dataclass
class Hints:
    """Stands in for the system's events: `told` are the paths of the next hint, or True for anything at all."""

    told: bool | tuple[str, ...] = ()

    is_complete = True

    def take(self) -> Told:
        was, self.told = self.told, ()
        return Told(everything=True) if was is True else Told(frozenset(was or ()))


def nobody(_paths: Collection[Path]) -> Mapping[Path, Holder]:
    """A system where nobody holds a file open."""
    return {}


@dataclass
class Scene:
    """A watch with everything around it, and what it told."""

    song: Project
    held: Staging
    watch: ProjectWatch
    events: Hints | None
    heard: list[Outcome] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    @property
    def copies(self) -> set[str]:
        return {name for name in tree(self.song.outbox) if name.endswith(".wav")}


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Callable[..., Scene]]:
    """Yield a maker of scenes: a project with its lock held and a watch on it."""
    with ExitStack() as stack:

        def make(events: Hints | None = None, text: str = "", room: int = 4, holders: Holders = nobody) -> Scene:
            song = project(tmp_path, text)
            held = stack.enter_context(staging(song))
            heard: list[OutcomeEvent] = []
            said: list[str] = []
            bench = StemQueue(held, Inline(), room)
            watch = ProjectWatch(held, bench, events, heard.append, said.append, holders)
            found = Scene(song, held, watch, events, said=said)
            found.heard = _Outcomes(heard)
            return found

        yield make


class _Outcomes(list[Outcome]):
    """The outcomes of news, as they come."""

    def __init__(self, news: list[OutcomeEvent]) -> None:
        super().__init__()
        self._news = news

    def __iter__(self) -> Iterator[Outcome]:
        return iter([news.outcome for news in self._news])

    def __len__(self) -> int:
        return len(self._news)


def stems(outcomes: list[Outcome]) -> list[str]:
    return [outcome.stem for outcome in outcomes]


def test_stem_is_staged_once_it_has_rested(scene: Callable[..., Scene]) -> None:
    """A new stem is seen, waited for, then staged and told."""
    found = scene()
    written(found.song.inbox / "a.wav", STEM)
    found.watch.step(0.0)
    assert found.watch.is_busy
    found.watch.step(0.99)
    assert found.copies == set()
    found.watch.step(1.0)
    assert found.copies == {"a.wav"}
    assert stems(found.heard) == ["a.wav"]
    assert not found.watch.is_busy
    assert found.watch.active_at_s == 1.0


def test_stem_that_keeps_changing_is_waited_for(scene: Callable[..., Scene]) -> None:
    """As long as a stem changes it is not read; once it rests, it is."""
    found = scene()
    for now_s in range(5):
        written(found.song.inbox / "a.wav", STEM[: 1000 + now_s])
        found.watch.step(now_s * 0.9)
    assert list(found.heard) == []
    written(found.song.inbox / "a.wav", STEM)
    found.watch.step(10.0)
    found.watch.step(11.0)
    assert found.copies == {"a.wav"}


def test_half_written_stem_is_looked_at_again(scene: Callable[..., Scene]) -> None:
    """A stem that pauses half-written is waited for, said once, and staged when it is whole."""
    found = scene(text="[project]\nsettle_s = 3600.0\n")
    written(found.song.inbox / "a.wav", STEM[:-500])
    for now_s in (0.0, 3600.0, 3601.0, 7201.0, 7202.0):
        found.watch.step(now_s)
    assert list(found.heard) == []
    assert len(found.said) == 1
    assert found.said[0].startswith("waiting for a.wav: ")
    assert found.watch.is_busy
    written(found.song.inbox / "a.wav", STEM)
    for now_s in (20_000.0, 23_600.0):
        found.watch.step(now_s)
    assert [isinstance(outcome, Staged) for outcome in found.heard] == [True]


def test_bad_stem_is_told_once(scene: Callable[..., Scene]) -> None:
    """A damaged stem is refused, told once, and not looked at again until it changes."""
    found = scene()
    written(found.song.inbox / "a.wav", float_wav(np.full(1000, np.nan)))
    for now_s in range(30):
        found.watch.step(float(now_s))
    assert [outcome.refused for outcome in found.heard if isinstance(outcome, Refused)] == ["not_finite"]
    assert len(found.heard) == 1
    written(found.song.inbox / "a.wav", STEM)
    for now_s in range(30, 35):
        found.watch.step(float(now_s))
    assert [isinstance(outcome, Staged) for outcome in found.heard] == [False, True]


def test_bounced_again(scene: Callable[..., Scene]) -> None:
    """A stem that is written again is staged again, as its next version."""
    found = scene()
    for begin_s, seed in ((0.0, 1), (10.0, 2)):
        written(found.song.inbox / "a.wav", wav(white_noise(4800, seed=seed, rms=0.02)))
        for now_s in (begin_s, begin_s + 1.0):
            found.watch.step(now_s)
    assert [outcome.sidecar.version for outcome in found.heard if isinstance(outcome, Staged)] == [1, 2]
    assert found.copies == {"a.wav"}


def test_touched_without_a_change(scene: Callable[..., Scene]) -> None:
    """A stem under another time stamp is looked at, and told as up to date."""
    found = scene()
    for begin_s in (0.0, 10.0):
        written(found.song.inbox / "a.wav", STEM, age_s=100.0 + begin_s)
        for now_s in (begin_s, begin_s + 1.0):
            found.watch.step(now_s)
    assert [outcome.fresh for outcome in found.heard if isinstance(outcome, Staged)] == [True, False]


def test_up_to_date_at_the_start(scene: Callable[..., Scene], tmp_path: Path) -> None:
    """What an earlier run staged is not told again."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", STEM, age_s=100.0)
    with staging(song) as held:
        bench = StemQueue(held, Inline(), 4)
        bench.submit(held.job("a.wav"))
        list(bench.collect(0.0))
    found = scene()
    for now_s in range(5):
        found.watch.step(float(now_s))
    assert list(found.heard) == []
    assert not found.watch.is_busy


def test_stem_that_goes_away(scene: Callable[..., Scene]) -> None:
    """A stem that vanishes before it has rested is forgotten without a word."""
    found = scene()
    path = written(found.song.inbox / "a.wav", STEM)
    found.watch.step(0.0)
    path.unlink()
    found.watch.step(1.0)
    assert (list(found.heard), found.said, found.watch.is_busy) == ([], [], False)


def test_only_what_counts(scene: Callable[..., Scene]) -> None:
    """Hidden names and other files are no news."""
    found = scene()
    for name in (".a.wav", "~a.wav", "notes.txt"):
        written(found.song.inbox / name, STEM)
    found.watch.step(0.0)
    assert not found.watch.is_busy


@pytest.mark.parametrize(
    ("events", "seen_at_s"),
    [(None, POLL_S), (Hints(), RESCAN_S)],
    ids=["polling", "events"],
)
def test_scans_now_and_then(scene: Callable[..., Scene], events: Hints | None, seen_at_s: float) -> None:
    """Without a hint the inbox is looked through every second, or in two minutes where it is told of changes."""
    found = scene(events)
    found.watch.step(0.0)
    written(found.song.inbox / "a.wav", STEM)
    found.watch.step(seen_at_s - 0.01)
    assert not found.watch.is_busy
    found.watch.step(seen_at_s)
    assert found.watch.is_busy


@pytest.mark.parametrize("told", [True, ("a.wav",)], ids=["anything", "this stem"])
def test_hint_brings_a_look(scene: Callable[..., Scene], told: bool | tuple[str, ...]) -> None:
    """A hint is enough to look at once."""
    events = Hints()
    found = scene(events)
    found.watch.step(0.0)
    written(found.song.inbox / "a.wav", STEM)
    events.told = told
    found.watch.step(0.1)
    assert found.watch.is_busy


def test_no_more_at_work_than_there_is_room(scene: Callable[..., Scene]) -> None:
    """Many stems at once are taken a few at a time, and all are staged."""
    found = scene(room=2)
    names = {f"{number}.wav" for number in range(5)}
    for name in names:
        written(found.song.inbox / name, STEM)
    found.watch.step(0.0)
    for now_s in (1.0, 1.1, 1.2, 1.3):
        found.watch.step(now_s)
    assert found.copies == names
    assert sorted(stems(found.heard)) == sorted(names)


def reported(song: Project) -> list[str]:
    """The stems in both tables, which agree."""
    told = [outcome["stem"] for outcome in json.loads((song.outbox / "report.json").read_bytes())["outcomes"]]
    assert [line.split(",")[0] for line in (song.outbox / "report.csv").read_text().splitlines()[1:]] == told
    return told


def test_tables_are_written_at_the_start(scene: Callable[..., Scene], tmp_path: Path) -> None:
    """With nothing to do the tables are there at once, and tell what earlier runs did, though a person deleted them."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", STEM, age_s=100.0)
    with staging(song) as held:
        bench = StemQueue(held, Inline(), 4)
        bench.submit(held.job("a.wav"))
        list(bench.collect(0.0))
    assert not (song.outbox / "report.csv").exists()
    found = scene()
    found.watch.step(0.0)
    assert reported(found.song) == ["a.wav"]


def test_tables_are_written_when_all_is_done(scene: Callable[..., Scene], monkeypatch: pytest.MonkeyPatch) -> None:
    """Tables are written at the start and when the last stem of a batch is done, and never without a cause."""
    found, times = scene(room=1), list[float]()
    real, now = room.write_tables, [0.0]
    monkeypatch.setattr(room, "write_tables", lambda *given: (times.append(now[0]), real(*given))[1])
    monkeypatch.setattr(room.time, "perf_counter", lambda: 0.0)  # a slow disk would put the next tables off
    for now_s in (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0):
        now[0] = now_s
        if now_s == 2.0:
            for name in ("a.wav", "b.wav"):
                written(found.song.inbox / name, STEM)
        if now_s == 6.0:
            written(found.song.inbox / "c.wav", float_wav(np.full(1000, np.nan)))
        found.watch.step(now_s)
    assert times == [0.0, 3.0, 4.0, 7.0]
    assert reported(found.song) == ["a.wav", "b.wav", "c.wav"]


def test_tables_are_written_at_the_end(scene: Callable[..., Scene], monkeypatch: pytest.MonkeyPatch) -> None:
    """What came of a stem since the tables were written is in them when the watch ends, and nothing stays at work."""
    found = scene(room=1)
    for name in ("a.wav", "b.wav"):
        written(found.song.inbox / name, STEM)
    found.watch.step(0.0)
    with monkeypatch.context() as patch:
        patch.setattr(ProjectWatch, "report", lambda _watch, _now_s: None)
        found.watch.step(1.0)
    assert (stems(found.heard), reported(found.song)) == (["a.wav"], [])
    with monkeypatch.context() as patch:
        patch.setattr(ProjectWatch, "_take", lambda _watch, _now_s: None)
        found.watch.step(1.1)
    found.watch.end()
    assert reported(found.song) == ["a.wav"]
    assert found.copies == {"a.wav"}
    assert not [name for name in tree(found.song.outbox) if name.startswith(".")]


def test_end_in_a_place_that_fails(scene: Callable[..., Scene], monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the outbox fails at the end, the watch ends all the same."""
    found = scene()
    monkeypatch.setattr(room, "write_tables", failing)
    found.watch.end()
    assert not (found.song.outbox / "report.csv").exists()


def failing(*_given: object) -> None:
    raise NoSpace("the disk is full")


def test_copy_edited_by_hand_is_seen_at_the_start(scene: Callable[..., Scene], tmp_path: Path) -> None:
    """A copy that a person edited since an earlier run is theirs: its stem is due, and staged beside it."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", STEM, age_s=100.0)
    with staging(song) as held:
        bench = StemQueue(held, Inline(), 4)
        bench.submit(held.job("a.wav"))
        list(bench.collect(0.0))
    later = (song.outbox / "a.wav.json").stat().st_mtime + 1.0
    (song.outbox / "a.wav").write_bytes(b"edited")
    os.utime(song.outbox / "a.wav", (later, later))
    found = scene()
    for now_s in (0.0, 1.0):
        found.watch.step(now_s)
    assert [isinstance(outcome, Staged) and outcome.fresh for outcome in found.heard] == [True]
    assert found.copies == {"a.wav", "a.v2.wav"}
    assert (found.song.outbox / "a.wav").read_bytes() == b"edited"
