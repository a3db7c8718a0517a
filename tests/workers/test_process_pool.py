"""Who works on many short stems: threads at first, then processes, and threads again where these can't be had."""

import threading
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import pytest

from stager.project.inbox import stems_in
from stager.workers import process_pool
from stager.workers.process_pool import FIRST, MANY, SHORT_BYTES, WorkerProcesses
from tests.support.records import project


@pytest.fixture
def threads() -> Iterator[ThreadPoolExecutor]:
    """Yield threads whose name tells that they are."""
    with ThreadPoolExecutor(2, thread_name_prefix="here") as executor:
        yield executor


def who() -> str:
    return threading.current_thread().name


class Refusing:
    """Stands for a system that gives no processes: it has no semaphores, or there are too many processes."""

    def __init__(self, error: Exception) -> None:
        self.error, self.asked = error, 0

    def __call__(self, *_: Any) -> Any:
        self.asked += 1
        raise self.error


def test_the_first_ones_begin_no_process(threads: ThreadPoolExecutor) -> None:
    """So many are done by threads, whatever comes later."""
    made = WorkerProcesses(threads, 2)
    assert {made.submit(who).result().partition("_")[0] for _ in range(FIRST)} == {"here"}
    assert made._pool is None


@pytest.mark.parametrize(
    "error", [OSError("no process more"), NotImplementedError("no semaphores"), ImportError("no semaphores")]
)
def test_no_processes_are_to_be_had(
    threads: ThreadPoolExecutor, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """Where the system gives none (as the standard library says so), threads do it all, and nobody asks again."""
    refusing = Refusing(error)
    monkeypatch.setattr(process_pool, "ProcessPoolExecutor", refusing)
    made = WorkerProcesses(threads, 2)
    assert {made.submit(who).result().partition("_")[0] for _ in range(FIRST + 5)} == {"here"}
    assert refusing.asked == 1


class Breaking:
    """A pool of processes whose futures the test settles."""

    def __init__(self, *_: Any) -> None:
        self.given: list[Future[Any]] = []

    def submit(self, *_: Any) -> Future[Any]:
        """Return a future."""
        self.given.append(Future())
        return self.given[-1]


def broken(
    threads: ThreadPoolExecutor, monkeypatch: pytest.MonkeyPatch
) -> tuple[WorkerProcesses, Breaking, list[Future[str]]]:
    """Return a crew with three pieces of work at its processes."""
    pool = Breaking()
    monkeypatch.setattr(process_pool, "ProcessPoolExecutor", lambda *_: pool)
    made = WorkerProcesses(threads, 2)
    for _ in range(FIRST):
        made.submit(who).result()
    return made, pool, [made.submit(who) for _ in range(3)]


def test_work_of_a_lost_process_is_done_here(threads: ThreadPoolExecutor, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was at work is done by threads, but for what nobody waits for; and so is all that comes later."""
    made, pool, (one, other, third) = broken(threads, monkeypatch)
    assert third.cancel()
    for given in pool.given:
        given.set_exception(BrokenProcessPool("a process ended"))
    assert [one.result(10)[:4], other.result(10)[:4], made.submit(who).result(10)[:4]] == ["here"] * 3
    assert third.cancelled()
    assert len(pool.given) == 3


def test_results_and_errors_come_through(threads: ThreadPoolExecutor, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a process gives, raises, or was told not to begin, is what its asker gets."""
    _, pool, (one, other, third) = broken(threads, monkeypatch)
    pool.given[0].set_result("done")
    pool.given[1].set_exception(ValueError("no"))
    assert pool.given[2].cancel()
    pool.given[2].set_running_or_notify_cancel()
    assert one.result(10) == "done"
    assert isinstance(other.exception(10), ValueError)
    assert third.cancelled()


@pytest.mark.parametrize(
    ("count", "size_bytes", "jobs", "is_crew"),
    [(MANY, 100, 2, True), (MANY - 1, 100, 2, False), (MANY, 100, 1, False), (MANY, SHORT_BYTES + 1, 2, False)],
)
def test_who_gets_processes(tmp_path: Path, count: int, size_bytes: int, jobs: int, is_crew: bool) -> None:
    """Many stems that are short, with more than one at once; sizes on the disk alone are looked at."""
    song = project(tmp_path, "")
    for number in range(count):
        with (song.inbox / f"{number}.wav").open("wb") as file:
            file.truncate(size_bytes)
    with process_pool.worker_processes(song, stems_in(song), jobs) as hands:
        assert (hands.opens_executor is not None) == is_crew
        assert is_crew or hands.jobs == jobs
