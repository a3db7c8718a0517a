"""Many stems at once: the one place where a stem's error becomes an outcome.

Stems are prepared on any executor of `concurrent.futures`; what they leave is published by the calling thread alone,
one after the other.
"""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Final

from stager.containers import fingerprint_of
from stager.errors import StemError, StillGrowingStem
from stager.inbox import stems_in
from stager.judge import Hint
from stager.ledger import read_entries
from stager.model import Outcome, Staged
from stager.names import shown
from stager.outbox import clashes
from stager.pipeline import Prepared, StemJob, Unchanged, prepare, rehearse
from stager.project import Project
from stager.staging import LEDGER, Staging, job_of, refused
from stager.stopping import allow_work, request_stop

LONGEST_WAIT_S: Final = 3.0
"""How long a batch waits for one file to come to rest; a watch waits as long as it takes."""

Work = Future[Prepared | Unchanged]


@dataclass(frozen=True)
class News:
    """One stem's outcome, with what is worth saying beside it."""

    outcome: Outcome
    hints: tuple[Hint, ...] = ()
    instead_of: str | None = None


@dataclass
class Bench:
    """Stems at work: what was handed to the executor and has not come back. Never more than `room` at a time."""

    staging: Staging
    executor: Executor
    room: int
    _working: dict[Work, StemJob] = field(default_factory=dict)

    def __len__(self) -> int:
        """How many stems are at work."""
        return len(self._working)

    @property
    def free(self) -> int:
        """How many more stems may be put to work."""
        return self.room - len(self._working)

    def has_room(self) -> bool:
        """Whether another stem may be put to work."""
        return self.free > 0

    def is_at(self, relative: str) -> bool:
        """Whether this stem is at work."""
        return any(job.relative == relative for job in self._working.values())

    def put(self, job: StemJob) -> None:
        """Put a stem to work."""
        self._working[self.executor.submit(prepare, job)] = job

    def take(self, timeout_s: float | None) -> Iterator[tuple[StemJob, News]]:
        """Publish what is ready, after waiting for the first of them for as long as this; gives each stem's news.

        Raises:
            PlaceError: where the outbox fails.
        """
        done, _ = wait(self._working, timeout_s, return_when=FIRST_COMPLETED)
        for work in sorted(done, key=list(self._working).index):
            job = self._working.pop(work)
            yield job, self._finish(job, work)

    def clear(self) -> None:
        """Let go of everything at work: what has not begun is not begun, what is ready is discarded."""
        for work in self._working:
            work.cancel()
        for work in self._working:
            if not work.cancelled() and work.exception() is None and isinstance(made := work.result(), Prepared):
                made.discard()
        self._working.clear()

    def _finish(self, job: StemJob, work: Work) -> News:
        try:
            return self._news(job, work.result())
        except StemError as error:
            return News(self.staging.refuse(job, error))

    def _news(self, job: StemJob, made: Prepared | Unchanged) -> News:
        """Publish what was made; where its name was taken meanwhile, or its copy removed, it is made once more."""
        if isinstance(made, Unchanged):
            staged = self.staging.unchanged(job, made)
            return News(staged) if staged else self._news(job, prepare(self.staging.job(job.relative, again=True)))
        try:
            staged = self.staging.publish(job, made)
        except FileExistsError:
            return self._news(job, prepare(job))
        foreign = made.place.instead_of
        return News(staged, made.hints, shown(foreign.name) if foreign else None)


@contextmanager
def bench(staging: Staging, jobs: int | None) -> Iterator[Bench]:
    """Give a bench with threads of its own; what is still at work when it ends is let go of."""
    workers = jobs or os.cpu_count() or 1
    with ThreadPoolExecutor(workers, thread_name_prefix="stem") as executor:
        made = Bench(staging, executor, room=2 * workers)
        try:
            yield made
        except BaseException:
            request_stop()
            raise
        finally:
            made.clear()
            allow_work()


def stage_all(
    staging: Staging, names: Iterable[str], *, again: bool, jobs: int | None, tell: Callable[[News], None]
) -> list[Outcome]:
    """Stage these stems and give their outcomes in the order of the names; `tell` hears of each as it is done.

    Raises:
        PlaceError: where a place fails; what was published until then stays.
    """
    outcomes: dict[str, Outcome] = {}
    listed, clashing = list(names), clashes(staging.project, stems_in(staging.project))

    def note(relative: str, news: News) -> None:
        outcomes[relative] = news.outcome
        tell(news)

    with bench(staging, jobs) as at_work:
        for relative in listed:
            clash = clashing.get(relative)
            current = None if again or clash else _current(staging, relative)
            if current:
                note(relative, News(current))
                continue
            while not at_work.has_room():
                for job, news in at_work.take(None):
                    note(job.relative, news)
            try:
                _let_rest(staging.project, relative)
            except StemError as error:
                note(relative, News(staging.refuse(staging.job(relative), error)))
                continue
            at_work.put(replace(staging.job(relative, again=again), clash=clash))
        while len(at_work):
            for job, news in at_work.take(None):
                note(job.relative, news)
    return [outcomes[relative] for relative in listed]


def rehearse_all(project: Project, names: Iterable[str]) -> Iterator[Outcome]:
    """Give each stem's outcome as it would be; nothing is written and no lock is taken."""
    clashing = clashes(project, stems_in(project))
    known = {entry.key: entry for entry in read_entries(project.state / LEDGER)}
    for relative in names:
        job = replace(job_of(project, relative, known.get(os.fsencode(relative))), clash=clashing.get(relative))
        try:
            yield Staged(rehearse(job))
        except StemError as error:
            yield refused(job, error)


def _let_rest(project: Project, relative: str) -> None:
    """Wait until a file that was just written has rested for as long as the project asks.

    Raises:
        StillGrowingStem: where it changed meanwhile.
    """
    path, settle_s = project.inbox / relative, project.settings.project.settle_s
    before = fingerprint_of(path)
    age_s = time.time() - before.modified_ns / 1e9
    if age_s >= settle_s:
        return
    left_s = settle_s - max(0.0, age_s)
    time.sleep(left_s if left_s <= LONGEST_WAIT_S else 0.0)
    if left_s > LONGEST_WAIT_S or fingerprint_of(path) != before:
        raise StillGrowingStem(
            f"{shown(relative)}: expected it to rest for {settle_s:g} s, found it still being written"
        )


def _current(staging: Staging, relative: str) -> Staged | None:
    try:
        return staging.current(relative, fingerprint_of(staging.project.inbox / relative))
    except StemError:
        return None
