"""Many stems at once: a bad stem is an outcome, a bad place a stop, and the order is that of the names."""

import os
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pytest

from stager.containers import CopyPlan, Written
from stager.errors import NoSpace, PlaceError, Stopped
from stager.model import Outcome, Refused, Staged
from stager.project import Project
from stager.staging import batch as room
from stager.staging import publish as staging_room
from stager.staging import queue as queue_room
from stager.staging import render
from stager.staging.batch import rehearse_all, stage_all
from stager.staging.prepare import Prepared
from stager.staging.publish import Staging, staging
from stager.staging.queue import ExecutorChoice, OutcomeEvent, StemQueue, stem_queue
from stager.staging.stem import StemJob
from stager.system.cancel import check_stop
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import sine_block, white_noise
from tests.support.wavefile import float_wav, wav

GOOD = ("a.wav", "b.wav", "drums/c.wav", "d.wav")
NOT_FINITE = float_wav(np.full(1000, np.nan))


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Yield a folder in memory: every stem syncs several times."""
    with in_memory() as folder:
        yield folder


@pytest.fixture
def song(tmp_path: Path) -> Project:
    """Return a project with four stems, the second of which is damaged."""
    found = project(tmp_path)
    for seed, name in enumerate(GOOD):
        written(found.inbox / name, wav(white_noise(4800, seed=seed, rms=0.02)), age_s=100.0)
    written(found.inbox / "b.wav", NOT_FINITE, age_s=100.0)
    return found


class Inline(Executor):
    """Does the work at once, in the calling thread."""

    def submit(self, work: Callable[..., Any], /, *args: Any, **keys: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(work(*args, **keys))
        except Exception as error:  # noqa: BLE001 - what an executor is for
            future.set_exception(error)
        return future


def run(
    song: Project, *, again: bool = False, jobs: int = 1, tell: Callable[[OutcomeEvent], None] = print
) -> list[Outcome]:
    with staging(song) as held:
        return stage_all(held, GOOD, again=again, on_outcome=tell, executor=ExecutorChoice(jobs))


def kinds(outcomes: list[Outcome]) -> list[str]:
    return [outcome.refused if isinstance(outcome, Refused) else "staged" for outcome in outcomes]


@pytest.mark.parametrize("jobs", [1, 2, 4])
def test_one_bad_stem_among_good_ones(song: Project, jobs: int) -> None:
    """A damaged stem is refused, the others are staged, and outcomes come in the order of the names."""
    outcomes = run(song, jobs=jobs)
    assert [outcome.stem for outcome in outcomes] == list(GOOD)
    assert kinds(outcomes) == ["staged", "not_finite", "staged", "staged"]
    assert set(tree(song.outbox)) == {
        *(name for name in GOOD if name != "b.wav"),
        *(f"{name}.json" for name in GOOD if name != "b.wav"),
    }


def test_everyone_hears_of_every_stem_once(song: Project) -> None:
    """Each outcome is told as it is done, also one that was up to date."""
    for _ in range(2):
        heard: list[OutcomeEvent] = []
        run(song, jobs=3, tell=heard.append)
        assert sorted(news.outcome.stem for news in heard) == sorted(GOOD)


def test_a_link_is_decided_once_where_its_members_wait_for_room(tmp_path: Path) -> None:
    """With room for one stem, the first member is not staged by itself before the second is measured."""
    song = project(tmp_path, '[[link]]\nname = "pair"\nmatch = ["*"]\n')
    for name, rms in (("left.wav", 0.02), ("right.wav", 0.1)):
        written(song.inbox / name, wav(white_noise(48_000, seed=1, rms=rms)), age_s=100.0)
    heard: list[OutcomeEvent] = []
    choice = ExecutorChoice(1, lambda _project: nullcontext(Inline()))
    with staging(song) as held:
        stage_all(held, ["left.wav", "right.wav"], again=False, on_outcome=heard.append, executor=choice)
    assert sorted(news.outcome.stem for news in heard) == ["left.wav", "right.wav"]
    gains = {news.outcome.sidecar.trim.gain_db for news in heard if isinstance(news.outcome, Staged)}
    assert len(gains) == 1


def test_second_run_makes_nothing(song: Project) -> None:
    """What is up to date is not made again, and the outbox stays as it is."""
    run(song)
    before = {path: path.stat().st_mtime_ns for path in song.outbox.rglob("*.*")}
    outcomes = run(song)
    assert [outcome.fresh for outcome in outcomes if isinstance(outcome, Staged)] == [False] * 3
    assert {path: path.stat().st_mtime_ns for path in song.outbox.rglob("*.*")} == before


def test_again_makes_everything(song: Project) -> None:
    """Asked to, everything is made once more."""
    run(song)
    assert all(outcome.fresh for outcome in run(song, again=True) if isinstance(outcome, Staged))


def test_number_of_workers_changes_nothing(song: Project) -> None:
    """One worker or many give the same copies."""
    run(song, jobs=1)
    one = {name: content for name, content in tree(song.outbox).items() if name.endswith(".wav")}
    run(song, again=True, jobs=4)
    assert {name: content for name, content in tree(song.outbox).items() if name.endswith(".wav")} == one


def test_stem_that_is_gone_since(song: Project) -> None:
    """A stem that was listed and is gone is refused."""
    (song.inbox / "a.wav").unlink()
    assert kinds(run(song))[0] == "unreadable"


def test_stem_that_is_gone_after_it_was_staged(song: Project) -> None:
    """Neither does an up-to-date copy hide that its stem is gone."""
    run(song)
    (song.inbox / "a.wav").unlink()
    assert kinds(run(song))[0] == "unreadable"


def test_stem_touched_without_a_change(song: Project) -> None:
    """A stem under another time stamp with the same bytes is up to date."""
    run(song)
    content = (song.inbox / "a.wav").read_bytes()
    written(song.inbox / "a.wav", content, age_s=50.0)
    first = run(song)[0]
    assert isinstance(first, Staged)
    assert not first.fresh


def test_place_that_fails_stops_and_discards(song: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the outbox fails, the batch stops; what was published stays, and no draft is left."""
    place_sidecar, room_left = staging_room._place_sidecar, iter([True])

    def fills_up(job: StemJob, made: Prepared) -> None:
        if not next(room_left, False):
            raise NoSpace("full")
        place_sidecar(job, made)

    monkeypatch.setattr(staging_room, "_place_sidecar", fills_up)
    with pytest.raises(NoSpace, match="full"):
        run(song, jobs=1)
    names = set(tree(song.outbox))
    assert {name for name in names if name.endswith(".json")} == {"a.wav.json"}
    assert "a.wav" in names
    assert not [name for name in names if name.endswith(".tmp")]
    monkeypatch.undo()
    assert all(isinstance(outcome, Staged) for outcome in run(song) if outcome.stem != "b.wav")


def test_place_that_fails_while_preparing(song: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that finds the place broken stops the batch as well."""

    def fails(job: StemJob) -> object:
        raise PlaceError(f"broken at {job.name.printable}")

    monkeypatch.setattr(queue_room, "prepare", fails)
    with pytest.raises(PlaceError, match="broken at"):
        run(song)


def test_an_unexpected_error_is_that_stem_s_outcome(song: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """A mistake of our own is told as one, `internal_error`, and never as a fault of the stem."""

    def fails(_job: StemJob) -> object:
        raise ZeroDivisionError

    monkeypatch.setattr(queue_room, "prepare", fails)
    refused = [outcome for outcome in run(song) if isinstance(outcome, Refused)]
    assert {outcome.refused for outcome in refused} == {"internal_error"}
    assert "ZeroDivisionError" in refused[0].says


def test_a_copy_that_is_not_original_times_gain_is_not_published(
    song: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A writer that stores one sample wrong in one copy: `copy_wrong`, nothing of it is left, the others are staged."""
    real = render.write_copy

    def write(plan: CopyPlan, file: BinaryIO) -> Written:
        made = real(plan, file)
        if plan.source.path.name != "c.wav":
            return made
        file.seek(-100, os.SEEK_END)
        high = file.read(1)
        file.seek(-100, os.SEEK_END)
        file.write(bytes([high[0] ^ 0x40]))
        return replace(made, sha256=None)

    monkeypatch.setattr(render, "write_copy", write)
    assert kinds(run(song)) == ["staged", "not_finite", "copy_wrong", "staged"]
    assert set(tree(song.outbox)) == {"a.wav", "a.wav.json", "d.wav", "d.wav.json"}


def test_interrupted_batch_leaves_no_draft(song: Project) -> None:
    """Stopped in the middle, what is published stays whole, and no draft is left."""

    def stop(_news: OutcomeEvent) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(song, jobs=2, tell=stop)
    names = set(tree(song.outbox))
    assert not [name for name in names if name.endswith(".tmp")]
    assert {name for name in names if name.endswith(".json")} == {f"{n}.json" for n in names if n.endswith(".wav")}


def test_two_stems_of_one_copy_name(tmp_path: Path) -> None:
    """Two stems whose copies would have one name are refused, and each is told of the other."""
    roles = '[[role]]\nname = "bc"\nmatch = ["a.wav"]\n[[role]]\nname = "c"\nmatch = ["ab.wav"]\n'
    song = project(tmp_path, f'[copy]\nname = "{{stem}}{{role}}{{suffix}}"\n{roles}')
    for seed, name in enumerate(("a.wav", "ab.wav")):
        written(song.inbox / name, wav(white_noise(4800, seed=seed, rms=0.02)), age_s=100.0)
    with staging(song) as held:
        outcomes = stage_all(held, ["a.wav", "ab.wav"], again=False, on_outcome=print, executor=ExecutorChoice(2))
    assert [outcome.refused for outcome in outcomes] == ["name_refused"] * 2
    assert "ab.wav" in outcomes[0].says
    assert tree(song.outbox) == {}


def test_a_name_taken_by_another_stem_meanwhile(song: Project) -> None:
    """Where another stem's copy took the name since this one was prepared, this one goes beside it."""
    run(song)
    with staging(song) as held:
        queue = StemQueue(held, Inline(), room=4)
        queue.submit(held.job("a.wav", again=True))
        (song.outbox / "a.wav").write_bytes(b"another copy")
        assert list(queue.collect(0.0)) == []
        ((_, news),) = queue.collect(0.0)
    assert news.instead_of == "a.wav"


def test_name_taken_between_preparing_and_publishing(song: Project) -> None:
    """Where a person's file took the name meanwhile, the stem is made once more and goes beside it."""
    with staging(song) as held:
        queue = StemQueue(held, Inline(), room=4)
        queue.submit(held.job("a.wav"))
        written(song.outbox / "a.wav", b"theirs")
        assert list(queue.collect(0.0)) == []
        ((_, news),) = queue.collect(0.0)
    assert news.instead_of == "a.wav"
    assert (song.outbox / "a.wav").read_bytes() == b"theirs"
    assert (song.outbox / "a.v2.wav.json").exists()


def test_copy_removed_while_its_stem_was_looked_at(song: Project) -> None:
    """Where the stem is unchanged, but its copy vanished meanwhile, it is made once more."""
    run(song)
    with staging(song) as held:
        queue = StemQueue(held, Inline(), room=4)
        queue.submit(held.job("a.wav"))
        (song.outbox / "a.wav").unlink()
        assert list(queue.collect(0.0)) == []
        ((_, news),) = queue.collect(0.0)
    assert isinstance(news.outcome, Staged)
    assert news.outcome.fresh
    assert (song.outbox / "a.wav").exists()


def test_queue_has_so_much_room(song: Project) -> None:
    """A queue takes so many stems and no more until one has come back."""
    with staging(song) as held:
        queue = StemQueue(held, Inline(), room=2)
        for name in ("a.wav", "d.wav"):
            assert queue.has_room()
            assert not queue.holds(name)
            queue.submit(held.job(name))
            assert queue.holds(name)
        assert (len(queue), queue.has_room()) == (2, False)
        assert len(list(queue.collect(0.0))) == 2
        assert (len(queue), queue.has_room()) == (0, True)


def test_ready_stems_come_in_the_order_they_were_put(song: Project) -> None:
    """Of several that are ready, the first that was put to work is published first."""
    with staging(song) as held:
        queue = StemQueue(held, Inline(), room=4)
        for name in ("d.wav", "a.wav", "drums/c.wav"):
            queue.submit(held.job(name))
        assert [job.name.relative for job, _ in queue.collect(0.0)] == ["d.wav", "a.wav", "drums/c.wav"]


def test_cleared_queue_leaves_nothing(song: Project) -> None:
    """A queue that is cleared leaves nothing behind, the refused among it."""
    with staging(song) as held:
        queue = StemQueue(held, Inline(), room=4)
        for name in GOOD:
            queue.submit(held.job(name))
        queue.clear()
        assert len(queue) == 0
    assert tree(song.outbox) == {}


def test_queue_cleared_while_a_stem_is_prepared(song: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stem that a thread is still working on is waited for and discarded; one that has not begun is not begun."""
    real, begun, go_on, seen = queue_room.prepare, threading.Event(), threading.Event(), []

    def slow(job: StemJob) -> object:
        seen.append(job.name.relative)
        begun.set()
        go_on.wait(10.0)
        return real(job)

    monkeypatch.setattr(queue_room, "prepare", slow)
    with staging(song) as held, stem_queue(held, ExecutorChoice(1)) as queue:
        queue.submit(held.job("a.wav"))
        queue.submit(held.job("d.wav"))
        assert begun.wait(10.0)
        threading.Timer(0.05, go_on.set).start()
        queue.clear()
    assert seen == ["a.wav"]
    assert tree(song.outbox) == {}


def test_nothing_at_work(song: Project) -> None:
    """An empty queue yields nothing, and no names no outcomes."""
    with staging(song) as held:
        assert list(StemQueue(held, Inline(), room=1).collect(0.0)) == []
        assert stage_all(held, [], again=False, on_outcome=print, executor=ExecutorChoice(1)) == []


def test_hints_come_with_the_news(tmp_path: Path) -> None:
    """What is worth saying beside an outcome comes with it, by the key under which it counts as said."""
    song = project(tmp_path)
    samples = white_noise(48_000, rms=0.003)
    samples[::4800] = 0.4
    heard: list[OutcomeEvent] = []
    for name in ("a.wav", "b.wav"):
        written(song.inbox / name, wav(samples), age_s=100.0)
    with staging(song) as held:
        stage_all(held, ["a.wav", "b.wav"], again=False, on_outcome=heard.append, executor=ExecutorChoice(1))
    assert [[hint.once for hint in news.hints] for news in heard] == [["percussive"], ["percussive"]]


def test_rehearsal(song: Project) -> None:
    """A dry run gives every outcome in order, refusals among them, and writes nothing, a lock neither."""
    before = tree(song.folder)
    outcomes = list(rehearse_all(song, GOOD))
    assert kinds(outcomes) == ["staged", "not_finite", "staged", "staged"]
    assert tree(song.folder) == before
    assert not song.state.exists()


def test_rehearsal_decides_as_staging_does(song: Project) -> None:
    """What a dry run shows is what staging does."""
    rehearsed = list(rehearse_all(song, GOOD))
    for one, other in zip(rehearsed, run(song), strict=True):
        if isinstance(one, Staged):
            assert isinstance(other, Staged)
            assert one.sidecar.trim == other.sidecar.trim
        else:
            assert (one.stem, one.refused, one.says) == (other.stem, other.refused, other.says)


def test_refusal_names_its_path_alike(song: Project) -> None:
    """A refusal names the same source in a dry run and for real: the path from the project file."""
    (rehearsed,) = [outcome for outcome in rehearse_all(song, ["b.wav"]) if isinstance(outcome, Refused)]
    staged = run(song)[1]
    assert isinstance(staged, Refused)
    assert rehearsed.to_data() == staged.to_data()


REHEARSED = {
    "would clip": ("a.wav", '[target]\nrule = "leave"\n[copy]\nencoding = "PCM_24"\n', "would_clip", "+3.52 dBFS"),
    "no room for its log": ("a" * 247 + ".wav", "", "name_refused", "255 bytes"),
    "the name of a report": ("notes.md", '[project]\ninclude = ["*"]\n', "name_refused", "no report of ours has"),
}


@pytest.mark.parametrize(("name", "text", "code", "part"), REHEARSED.values(), ids=REHEARSED.keys())
def test_rehearsal_refuses_as_staging_does(tmp_path: Path, name: str, text: str, code: str, part: str) -> None:
    """What the run would refuse for its copy's sake a dry run refuses too, with the same words, and writes nothing."""
    song = project(tmp_path, text)
    written(song.inbox / name, float_wav(sine_block(997.0, 0.5, peak=1.5)), age_s=100.0)
    before = tree(song.folder)
    (rehearsed,) = rehearse_all(song, [name])
    assert tree(song.folder) == before
    with staging(song) as held:
        (staged,) = stage_all(held, [name], again=False, on_outcome=print, executor=ExecutorChoice(1))
    assert isinstance(rehearsed, Refused)
    assert rehearsed.refused == code
    assert part in rehearsed.says
    assert rehearsed == staged
    assert tree(song.outbox) == {}


def test_rehearsal_of_two_stems_of_one_copy_name(tmp_path: Path) -> None:
    """A dry run sees that two copies would have one name, though it was asked for one of the stems alone."""
    song = project(tmp_path)
    for name in ("a.wav", "A.wav"):
        written(song.inbox / name, wav(white_noise(4800, rms=0.02)), age_s=100.0)
    (found,) = rehearse_all(song, ["a.wav"])
    assert isinstance(found, Refused)
    assert found.refused == "name_refused"
    assert "found the same one for A.wav; rename one of them" in found.says


def test_rehearsal_knows_our_own_copies(song: Project) -> None:
    """After a run a dry run takes our copies for ours, and a person's file under the name for theirs."""
    run(song)
    (song.outbox / "d.wav").write_bytes(b"theirs")
    assert kinds(list(rehearse_all(song, GOOD))) == ["staged", "not_finite", "staged", "staged"]


class Clock:
    """Stands in for the clock: nobody sleeps, and who would have is known."""

    def __init__(self, now_s: float, meanwhile: Callable[[], object] = lambda: None) -> None:
        self.now_s, self.slept_s, self._meanwhile = now_s, list[float](), meanwhile

    def time(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.slept_s.append(seconds)
        self.now_s += seconds
        self._meanwhile()


RESTED = {
    "long ago": (-100.0, []),
    "a settling time ago": (-2.0, []),
    "half of one ago": (-0.5, [1.5]),
    "just now": (0.0, [2.0]),
    "by a clock that runs ahead": (50.0, [2.0]),
}


@pytest.mark.parametrize(("at_s", "slept_s"), RESTED.values(), ids=RESTED.keys())
def test_fresh_file_is_let_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_s: float, slept_s: list[float]
) -> None:
    """A file is read once it has rested for the settling time, and no longer than that, whatever its clock says."""
    now_s = float(int(time.time()))
    song, clock = project(tmp_path, "[project]\nsettle_s = 2.0\n"), Clock(now_s)
    path = written(song.inbox / "a.wav", wav(white_noise(4800, rms=0.02)))
    os.utime(path, (now_s + at_s, now_s + at_s))
    monkeypatch.setattr(room, "time", clock)
    with staging(song) as held:
        outcomes = stage_all(held, ["a.wav"], again=False, on_outcome=print, executor=ExecutorChoice(1))
    assert (kinds(outcomes), clock.slept_s) == (["staged"], slept_s)


@pytest.mark.parametrize("ending", ["grows", "goes"])
def test_file_that_does_not_rest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ending: str) -> None:
    """A file that changes while it is let rest is refused as still growing, and the others are staged."""
    song = project(tmp_path, "[project]\nsettle_s = 2.0\n")
    path = written(song.inbox / "a.wav", wav(white_noise(4800, rms=0.02)))
    written(song.inbox / "b.wav", wav(white_noise(4800, rms=0.02)), age_s=100.0)
    change = path.unlink if ending == "goes" else lambda: written(path, wav(white_noise(9600, rms=0.02)))
    monkeypatch.setattr(room, "time", Clock(path.stat().st_mtime, change))
    heard: list[OutcomeEvent] = []
    with staging(song) as held:
        outcomes = stage_all(held, ["a.wav", "b.wav"], again=False, on_outcome=heard.append, executor=ExecutorChoice(1))
    assert kinds(outcomes) == ["unreadable" if ending == "goes" else "still_growing", "staged"]
    assert isinstance(outcomes[0], Refused)
    if ending == "grows":
        assert outcomes[0].says == "expected it to rest for 2 s, found it still being written"
    assert sorted(news.outcome.stem for news in heard) == ["a.wav", "b.wav"]


class Endless:
    """Stands in for `prepare` of a file without end: it reads until it is told to stop."""

    def __init__(self) -> None:
        self.begun, self.ended = threading.Event(), threading.Event()

    def __call__(self, _job: StemJob) -> object:
        self.begun.set()
        try:
            while not self.ended.wait(0.005):
                check_stop()
        except Stopped:
            self.ended.set()
            raise
        return None


def break_off(held: Staging, endless: Endless, error: type[BaseException]) -> None:
    with stem_queue(held, ExecutorChoice(1)) as queue:
        queue.submit(held.job("a.wav"))
        assert endless.begun.wait(10.0)
        raise error


@pytest.mark.parametrize("error", [KeyboardInterrupt, SystemExit, NoSpace])
def test_interrupted_bench_waits_for_no_read(
    song: Project, monkeypatch: pytest.MonkeyPatch, error: type[BaseException]
) -> None:
    """However a bench is broken off, a read at work ends at its next block, and later work is not told to stop."""
    endless = Endless()
    monkeypatch.setattr(queue_room, "prepare", endless)
    with staging(song) as held:
        with pytest.raises(error):
            break_off(held, endless, error)
        assert endless.ended.is_set()
        check_stop()
    assert tree(song.outbox) == {}


def test_batch_after_an_interrupted_one(song: Project) -> None:
    """After a batch that was broken off the next one stages everything."""

    def stop(_news: OutcomeEvent) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(song, jobs=2, tell=stop)
    assert kinds(run(song, jobs=2)) == ["staged", "not_finite", "staged", "staged"]


def test_bench_that_ends_well_stops_nobody(song: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bench that ends without a cause tells nobody to stop, not even for a moment."""
    told: list[str] = []
    monkeypatch.setattr(queue_room, "request_stop", lambda: told.append("stop"))
    run(song)
    assert told == []


def test_original_under_its_copys_name_is_an_outcome(song: Project) -> None:
    """A stem whose original took its copy's name meanwhile is refused, and the batch goes on."""
    with staging(song) as held:
        queue = StemQueue(held, Inline(), room=4)
        for name in ("a.wav", "d.wav"):
            queue.submit(held.job(name))
        os.link(song.inbox / "a.wav", song.outbox / "a.wav")
        outcomes = [news.outcome for _, news in queue.collect(0.0)]
    assert kinds(outcomes) == ["name_refused", "staged"]
    assert set(tree(song.outbox)) == {"a.wav", "d.wav", "d.wav.json"}
