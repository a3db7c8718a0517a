"""Hands for many short stems: processes of this machine, since threads would wait for the interpreter's one lock.

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

from stager.bench import Hands
from stager.containers import fingerprint_if_there
from stager.processes import end_with_parent, undisturbed
from stager.project import Project

P = ParamSpec("P")
R = TypeVar("R")

MANY: Final = 300
"""From so many stems on, processes win back what it takes to begin them (measured)."""
SHORT_BYTES: Final = 2 << 20
"""So long are short stems on average: one block, in which little work is shared between threads."""
MOST: Final = 4
"""More processes would wait for the one that publishes (own figure)."""
FIRST: Final = 16
"""So many stems are left to threads: a run with few stems to stage ends with them, and what has to be compiled is."""
AHEAD: Final = 8
"""Stems for each process at once, so that it has the next one when it is done with one."""


@contextmanager
def crew(project: Project, names: Sequence[str], jobs: int | None) -> Iterator[Hands]:
    """Give the hands for these stems: `jobs` threads, or, where there are many short stems, as many processes."""
    count = min(jobs or os.cpu_count() or 1, MOST)
    if count == 1 or len(names) < MANY or not _are_short(project, names):
        yield Hands(jobs)
        return
    with ThreadPoolExecutor(count, thread_name_prefix="stem") as threads:
        made = Crew(threads, count)
        try:
            yield Hands(AHEAD * count, made)
        finally:
            made.shutdown(cancel_futures=True)


def _are_short(project: Project, names: Sequence[str]) -> bool:
    found = [there.size_bytes for name in names if (there := fingerprint_if_there(project.inbox / name))]
    return sum(found) <= SHORT_BYTES * len(found)


class Crew(Executor):
    """Hands the first work to threads, and the rest to processes; if one of these is lost, all again to threads."""

    def __init__(self, threads: Executor, count: int) -> None:
        self._threads, self._most = threads, count
        self._count = 0
        self._pool: ProcessPoolExecutor | None = None
        self._is_lost = False

    def submit(self, work: Callable[P, R], /, *args: P.args, **keys: P.kwargs) -> Future[R]:
        """Hand out work; what a process had when it was lost is done by a thread."""
        self._count += 1
        here = partial(self._threads.submit, work, *args, **keys)
        if self._count <= FIRST or self._is_lost:
            return here()
        try:
            given = self._given(partial(work, *args, **keys))
        except (OSError, ImportError, NotImplementedError, BrokenProcessPool):  # no semaphores, or no process more
            self._is_lost = True
            return here()
        asked: Future[R] = Future()
        given.add_done_callback(lambda done: self._settle(asked, done, here))
        return asked

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT002
        """End the processes, after what they have at work."""
        if self._pool:
            self._pool.shutdown(wait, cancel_futures=cancel_futures)

    def _given(self, work: Callable[[], R]) -> Future[R]:
        with undisturbed():
            if self._pool is None:
                self._pool = ProcessPoolExecutor(self._most, get_context("spawn"), end_with_parent)
            return self._pool.submit(work)

    def _settle(self, asked: Future[R], done: Future[R], here: Callable[[], Future[R]]) -> None:
        if not done.cancelled() and isinstance(done.exception(), BrokenProcessPool) and not asked.cancelled():
            self._is_lost = True
            here().add_done_callback(partial(_pass_on, asked))
        else:
            _pass_on(asked, done)


def _pass_on(asked: Future[R], done: Future[R]) -> None:
    """Let one future end as another did; one that nobody waits for any more is left."""
    if done.cancelled():
        asked.cancel()
        asked.set_running_or_notify_cancel()
    elif asked.set_running_or_notify_cancel():
        if error := done.exception():
            asked.set_exception(error)
        else:
            asked.set_result(done.result())
