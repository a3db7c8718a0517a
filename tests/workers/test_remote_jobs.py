"""Work that goes to any executor: threads, processes, and one that does everything twice."""

import json
import os
import pickle
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from functools import partial
from hashlib import sha256
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest

from stager import errors
from stager.errors import ClusterFailed, StagerError, StemError, StepFailed, Stopped
from stager.model import Outcome, PluginSource, PluginUse, Refused, StemName
from stager.project import Project
from stager.project.inbox import stems_in
from stager.staging.batch import stage_all
from stager.staging.prepare import Prepared, measure_member, prepare
from stager.staging.publish import staging
from stager.staging.queue import ExecutorChoice, OutcomeEvent
from stager.staging.stem import StemJob
from stager.system.drafts import DRAFT_PREFIX, marked, sign_name
from stager.system.files import draft_in
from stager.workers.remote_jobs import RemoteExecutor, RemoteJob, remote_executor, run_remote_job
from tests.support.folders import in_memory, tree, written
from tests.support.records import project
from tests.support.signals import white_noise
from tests.support.wavefile import float_wav, wav

pytestmark = pytest.mark.long

LINKED = '[[link]]\nname = "pair"\nmatch = ["pair?.wav"]\n'
CLASSES = [found for found in vars(errors).values() if isinstance(found, type) and issubclass(found, StagerError)]


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Yield a folder in memory: every stem syncs several times."""
    with in_memory() as folder:
        yield folder


def song_in(folder: Path) -> Project:
    """Return a project with four stems, two of them linked, and one that is refused."""
    found = project(folder, LINKED)
    for seed, name in enumerate(("a.wav", "sub/b.wav", "pair1.wav", "pair2.wav")):
        written(found.inbox / name, wav(white_noise(4800, seed=seed, rms=0.02 * (seed + 1))), age_s=100.0)
    written(found.inbox / "bad.wav", float_wav(white_noise(100, rms=0.1) * float("nan")), age_s=100.0)
    return found


@pytest.fixture
def song(tmp_path: Path) -> Project:
    """Return a project with stems of each sort."""
    return song_in(tmp_path / "song")


@pytest.fixture
def processes() -> Iterator[ProcessPoolExecutor]:
    """Yield two processes that begin without anything of ours in memory."""
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as executor:
        yield executor


def stage(
    song: Project, executor: Executor | None, tell: Callable[[OutcomeEvent], None] = lambda _: None
) -> list[Outcome]:
    opens = partial(remote_executor, executor=executor) if executor else None
    with staging(song) as held:
        return stage_all(held, stems_in(song), again=False, on_outcome=tell, executor=ExecutorChoice(4, opens))


def settled(song: Project) -> dict[str, Any]:
    """Return every copy's hash, every sidecar without its hour, and whatever else lies in the outbox."""
    return {
        name: {**json.loads(content), "staged_at": ""} if name.endswith(".json") else sha256(content).hexdigest()
        for name, content in tree(song.outbox).items()
    }


def hidden(song: Project) -> list[str]:
    return [path.name for folder in (song.outbox, song.state) for path in folder.rglob(f"{DRAFT_PREFIX}*")]


@pytest.mark.parametrize("kind", ["threads", "processes"])
def test_any_executor_gives_the_same(tmp_path: Path, processes: ProcessPoolExecutor, kind: str) -> None:
    """Copies, sidecars and outcomes of another's executor are those of our own threads."""
    ours, theirs = song_in(tmp_path / "ours" / "song"), song_in(tmp_path / "theirs" / "song")
    plain = stage(ours, None)
    with ThreadPoolExecutor(2) as threads:
        found = stage(theirs, threads if kind == "threads" else processes)
    assert [(type(outcome), outcome.stem) for outcome in found] == [(type(outcome), outcome.stem) for outcome in plain]
    assert settled(theirs) == settled(ours)
    assert len(settled(ours)) == 8
    assert hidden(theirs) == []


class Twice(Executor):
    """Does all work twice and gives the first result, or the second: what a lost worker had done lies there too."""

    def __init__(self, given: int) -> None:
        self.given = given

    def submit(self, work: Callable[..., Any], /, *args: Any, **keys: Any) -> Future[Any]:
        future: Future[Any] = Future()
        results = []
        for _ in range(2):
            try:
                results.append(work(*args, **keys))
            except StagerError as error:
                future.set_exception(error)
                return future
        future.set_result(pickle.loads(pickle.dumps(results[self.given])))  # noqa: S301 - our own bytes
        return future


@pytest.mark.parametrize("given", [0, 1])
def test_work_done_twice_is_published_once(tmp_path: Path, given: int) -> None:
    """Of a stem that ran on two workers one copy appears, it is told once, and no draft of the other is left."""
    ours, theirs = song_in(tmp_path / "ours" / "song"), song_in(tmp_path / "theirs" / "song")
    stage(ours, None)
    told: list[str] = []
    stage(theirs, Twice(given), lambda news: told.append(news.outcome.stem))
    assert sorted(told) == sorted(stems_in(theirs))
    assert settled(theirs) == settled(ours)
    assert hidden(theirs) == []


def dying(errand: RemoteJob) -> object:
    """Leave drafts, and end the process as a crash would."""
    with marked(errand.mark):
        draft_in(errand.job.project.outbox)
    os.kill(os.getpid(), signal.SIGKILL)
    return None


class Fatal(Executor):
    """Lets the processes of another executor die at the first stem."""

    def __init__(self, executor: Executor) -> None:
        self._executor = executor

    def submit(self, _work: Callable[..., Any], /, *args: Any, **_: Any) -> Future[Any]:
        return self._executor.submit(dying, *args)


def test_a_pool_that_breaks_leaves_nothing(song: Project, processes: ProcessPoolExecutor) -> None:
    """Where a process pool dies, its error ends the run, and the drafts of the dead are gone."""
    with pytest.raises(BrokenProcessPool):
        stage(song, Fatal(processes))
    assert hidden(song) == []
    assert tree(song.outbox) == {}


def test_jobs_and_results_go_to_other_processes(song: Project) -> None:
    """What a stem's work takes and gives is the same after pickling (protocol of the standard library)."""
    job = StemJob(song, StemName("a.wav"))
    assert pickle.loads(pickle.dumps(job)) == job  # noqa: S301
    made = prepare(job)
    assert isinstance(made, Prepared)
    back = pickle.loads(pickle.dumps(made))  # noqa: S301
    assert (back.sidecar, back.place, back.fingerprint, back.copy_draft.path) == (
        made.sidecar,
        made.place,
        made.fingerprint,
        made.copy_draft.path,
    )
    back.discard()
    assert hidden(song) == []


def test_an_open_draft_stays_where_it_is(tmp_path: Path) -> None:
    """A draft that is still being written can't go to another process."""
    draft = draft_in(tmp_path)
    with pytest.raises(TypeError, match="an open draft can't be pickled"):
        pickle.dumps(draft)
    draft.seal()
    pickle.loads(pickle.dumps(draft)).publish(tmp_path / "whole")  # noqa: S301
    assert set(tree(tmp_path)) == {"whole"}


@pytest.mark.parametrize("found", CLASSES, ids=lambda found: str(found.__name__))
def test_errors_keep_their_words(found: type[StagerError]) -> None:
    """Every error of ours arrives from another process as what it was, with its sentence."""
    says = "expected this, found that"
    error = found("a.wav", says) if issubclass(found, StemError) else found(f"a.wav: {says}")
    back = pickle.loads(pickle.dumps(error))  # noqa: S301
    assert (type(back), str(back)) == (found, "a.wav: expected this, found that")


class Kept(Executor):
    """Keeps the errands instead of doing them."""

    def __init__(self) -> None:
        self.remote_executor: list[RemoteJob] = []

    def submit(self, _work: Callable[..., Any], /, *args: Any, **_: Any) -> Future[Any]:
        self.remote_executor.append(args[0])
        return Future()


@pytest.fixture
def errand(song: Project) -> Iterator[RemoteJob]:
    """Yield an errand whose run goes on."""
    kept = Kept()
    song.outbox.mkdir(exist_ok=True)
    with remote_executor(song, kept) as executor:
        executor.submit(prepare, StemJob(song, StemName("a.wav")))
        yield kept.remote_executor[0]


def test_another_stager_refuses(errand: RemoteJob) -> None:
    """A worker with another version, or other rules, does nothing for a run, since its copies might differ."""
    for changes, says in (({"version": "9.9"}, "expected stager 9.9 with"), ({"rules": 99}, "with rules 99, found")):
        with pytest.raises(ClusterFailed, match=says):
            run_remote_job(replace(errand, **changes))


def test_another_folder_refuses(errand: RemoteJob) -> None:
    """A worker that has another folder under the project's path writes nothing there, and says which path."""
    song = errand.job.project
    (song.outbox / sign_name(errand.mark)).unlink()
    before = tree(song.folder)
    with pytest.raises(ClusterFailed, match="under the same path on every machine, found another folder"):
        run_remote_job(errand)
    assert tree(song.folder) == before


def test_no_folder_refuses(errand: RemoteJob, tmp_path: Path) -> None:
    """A worker without the project's folder makes none, and says which one it expected."""
    away = tmp_path / "away"
    missing = replace(errand.job.project, folder=away)
    with pytest.raises(ClusterFailed, match=r"away: expected the folder .* found no such folder"):
        run_remote_job(replace(errand, job=replace(errand.job, project=missing)))
    assert not away.exists()


def test_an_empty_inbox_refuses(errand: RemoteJob, tmp_path: Path) -> None:
    """The bare place of a disk that isn't there is no inbox whose stems can't be read."""
    (tmp_path / "bare").mkdir()
    bare = replace(errand.job.project, inbox=tmp_path / "bare")
    with pytest.raises(ClusterFailed, match="found an empty folder"):
        run_remote_job(replace(errand, job=replace(errand.job, project=bare)))


def test_a_run_that_ended_gets_no_drafts(song: Project) -> None:
    """What a worker finishes after the run's end removes itself: nobody sweeps after that."""
    kept = Kept()
    song.outbox.mkdir(exist_ok=True)
    with remote_executor(song, kept) as executor:
        executor.submit(_late, StemJob(song, StemName("a.wav")))
        (late,) = kept.remote_executor
        with pytest.raises(Stopped, match="the run that asked for this stem has ended"):
            run_remote_job(late)
    assert hidden(song) == []


def _late(job: StemJob) -> object:
    """Finish a stem, and let its run end meanwhile."""
    made = prepare(job)
    for folder in (job.project.outbox, job.project.state):
        for sign in folder.glob(f"{DRAFT_PREFIX}*-run.tmp"):
            sign.unlink()
    return made


def test_the_end_sweeps_only_its_own(song: Project) -> None:
    """A run's end removes what it left, and no draft of another project that shares the outbox."""
    song.outbox.mkdir(exist_ok=True)
    other = written(song.outbox / f".stager-run{os.getppid()}x77-1.tmp", b"another run's")
    with remote_executor(song, Kept()) as executor:
        assert isinstance(executor, RemoteExecutor)
        (sign,) = song.outbox.glob("*-run.tmp")
        mark = sign.read_text()
        with marked(mark):
            draft_in(song.outbox / "sub").seal()
    assert hidden(song) == [other.name]


def test_a_disk_has_another_number_elsewhere(errand: RemoteJob) -> None:
    """A stem heard on one machine is staged on another, where its disk has another device number and all else holds."""
    heard, _ = measure_member(replace(errand.job))  # type: ignore[misc]
    moved = replace(heard, fingerprint=replace(heard.fingerprint, device=heard.fingerprint.device + 1))
    made = run_remote_job(replace(errand, job=replace(errand.job, analysis=moved)))
    assert isinstance(made, Prepared)
    made.discard()


def used(**changes: Any) -> PluginUse:
    source = PluginSource(group="stager.steps", name="tilt", version="1.0 (0)", origin="tilt 1.0", **changes)
    return PluginUse(source=source, match=("*",))


def test_another_plugin_refuses(errand: RemoteJob, tmp_path: Path) -> None:
    """A worker that lacks a plug-in of the run, or has another text of its file, refuses the stem."""
    text = written(tmp_path / "tilt.py", b"pass")
    for use in (used(entry="tilt:Tilt"), used(file=str(text))):
        song = replace(errand.job.project, plugins=(use,))
        with pytest.raises(StepFailed, match=r"a.wav: worker on .*: expected step 'tilt' of tilt 1.0"):
            run_remote_job(replace(errand, job=replace(errand.job, project=song)))


def test_an_interrupted_pool_publishes_nothing_more(song: Project) -> None:
    """Where the teller fails, what is at work in a given executor is let go of, and its drafts are gone."""

    def tell(_news: OutcomeEvent) -> None:
        raise KeyboardInterrupt

    with ThreadPoolExecutor(2) as threads, pytest.raises(KeyboardInterrupt):
        stage(song, threads, tell)
    assert hidden(song) == []


def test_refusals_come_from_processes(song: Project, processes: ProcessPoolExecutor) -> None:
    """A stem that another process refuses is an outcome with its code and its sentence."""
    refused = [outcome for outcome in stage(song, processes) if isinstance(outcome, Refused)]
    assert [(outcome.stem, outcome.refused) for outcome in refused] == [("bad.wav", "not_finite")]
    assert refused[0].says.startswith("expected finite samples.")
