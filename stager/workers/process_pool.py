"""The executor for many short stems: worker processes on this machine, since threads share one interpreter lock.

A stem of a second takes 10 to 15 ms, most of it not in compiled loops but in the interpreter, and only one thread at a
time runs that. A process of its own takes half a second and up to 200 MB, so few or long stems are left to threads.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from typing import Final, ParamSpec, TypeVar

from stager.project import Project
from stager.staging.queue import ExecutorChoice
from stager.system.files import fingerprint_if_there
from stager.system.processes import end_with_parent, undisturbed
from stager.workers.remote_jobs import remote_executor

P = ParamSpec("P")
R = TypeVar("R")

MANY: Final = 300
"""The number of stems from which worker processes save more time than it takes to start them (measured)."""
SHORT_BYTES: Final = 2 << 20
"""The largest mean size of short stems: about one block, too little work to share between threads."""
MOST: Final = 4
"""The most worker processes: further ones would wait for the thread that publishes (own figure)."""
FIRST: Final = 16
"""The first stems are left to threads: a run with few ends there, and the loops are compiled before processes start."""
AHEAD: Final = 8
"""Stems submitted ahead for each process, so that it never waits for the next one."""


@contextmanager
def worker_processes(project: Project, names: Sequence[str], jobs: int | None) -> Iterator[ExecutorChoice]:
    """Yield the executor for these stems: `jobs` threads, or, for many short stems, as many worker processes."""
    count = min(jobs or os.cpu_count() or 1, MOST)
    if count == 1 or len(names) < MANY or not _are_short(project, names):
        yield ExecutorChoice(jobs)
        return
    with ThreadPoolExecutor(count, thread_name_prefix="stem") as threads:
        processes = WorkerProcesses(threads, count)
        try:
            yield ExecutorChoice(AHEAD * count, lambda project: remote_executor(project, processes))
        finally:
            processes.shutdown(cancel_futures=True)


def _are_short(project: Project, names: Sequence[str]) -> bool:
    found = [there.size_bytes for name in names if (there := fingerprint_if_there(project.inbox / name))]
    return sum(found) <= SHORT_BYTES * len(found)


class WorkerProcesses(Executor):
    """Runs the first stems in threads and the rest in processes; once a process dies, all others in threads again."""

    def __init__(self, threads: Executor, count: int) -> None:
        self._threads, self._most = threads, count
        self._count = 0
        self._pool: ProcessPoolExecutor | None = None
        self._is_lost = False

    def submit(self, work: Callable[P, R], /, *args: P.args, **keys: P.kwargs) -> Future[R]:
        """Submit work; what was in a process that died is run again in a thread."""
        self._count += 1
        here = partial(self._threads.submit, work, *args, **keys)
        if self._count <= FIRST or self._is_lost:
            return here()
        try:
            submitted = self._submitted(partial(work, *args, **keys))
        except (OSError, ImportError, NotImplementedError, BrokenProcessPool):  # no semaphores, or no process more
            self._is_lost = True
            return here()
        requested: Future[R] = Future()
        submitted.add_done_callback(lambda finished: self._settle(requested, finished, here))
        return requested

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT002
        """End the processes, once what they run is finished."""
        if self._pool:
            self._pool.shutdown(wait, cancel_futures=cancel_futures)

    def _submitted(self, work: Callable[[], R]) -> Future[R]:
        with undisturbed():
            if self._pool is None:
                self._pool = ProcessPoolExecutor(self._most, get_context("spawn"), end_with_parent)
            return self._pool.submit(work)

    def _settle(self, requested: Future[R], finished: Future[R], here: Callable[[], Future[R]]) -> None:
        if (
            not finished.cancelled()
            and isinstance(finished.exception(), BrokenProcessPool)
            and not requested.cancelled()
        ):
            self._is_lost = True
            here().add_done_callback(partial(_pass_on, requested))
        else:
            _pass_on(requested, finished)


def _pass_on(requested: Future[R], finished: Future[R]) -> None:
    """Copy how one future ended to another; one that was cancelled is left alone."""
    if finished.cancelled():
        requested.cancel()
        requested.set_running_or_notify_cancel()
    elif requested.set_running_or_notify_cancel():
        if error := finished.exception():
            requested.set_exception(error)
        else:
            requested.set_result(finished.result())
