"""Stems at work: measured on any executor of `concurrent.futures`, published by the thread that holds the project."""

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ThreadPoolExecutor, wait
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace

from stager.errands import errands
from stager.errors import StemError
from stager.hear import Heard
from stager.judge import Hint, LinkMember
from stager.model import Outcome, Staged
from stager.names import shown
from stager.pipeline import Prepared, StemJob, Unchanged, measure_member, prepare
from stager.project import Link
from stager.staging import Staging
from stager.stopping import allow_work, request_stop

Work = Future[Prepared | Unchanged | tuple[Heard, LinkMember]]


@dataclass(frozen=True)
class News:
    """One stem's outcome, with what is worth saying beside it."""

    outcome: Outcome
    hints: tuple[Hint, ...] = ()
    instead_of: str | None = None


@dataclass(frozen=True)
class Hands:
    """Who works on stems: `jobs` threads of our own, or an `executor` that is handed so many stems at once."""

    jobs: int | None = None
    executor: Executor | None = None


@dataclass
class Bench:
    """Stems at work: what was handed to the executor and has not come back. Never more than `room` at a time.

    A stem in a link is measured first, and staged once nobody of its link is being measured or `awaited`: stems that
    will be put to work soon, by their printable names. `ready` is called, from another thread, when a stem is.
    """

    staging: Staging
    executor: Executor
    room: int
    ready: Callable[[], None] = lambda: None
    awaited: frozenset[str] = frozenset()
    _working: dict[Work, StemJob] = field(default_factory=dict)
    _measured: dict[str, StemJob] = field(default_factory=dict)
    _undecided: set[str] = field(default_factory=set)

    def __len__(self) -> int:
        """How many stems are at work."""
        return len(self._working) + len(self._measured)

    @property
    def free(self) -> int:
        """How many more stems may be put to work."""
        return self.room - len(self._working)

    def has_room(self) -> bool:
        """Whether another stem may be put to work."""
        return self.free > 0

    def is_at(self, relative: str) -> bool:
        """Whether this stem is at work."""
        jobs = (*self._working.values(), *self._measured.values())
        return any(job.relative == relative for job in jobs)

    def put(self, job: StemJob) -> None:
        """Put a stem to work."""
        is_alone = job.link_trim is not None or self.staging.groups.link_of(job.stem) is None
        work: Work = self.executor.submit(prepare if is_alone else measure_member, job)
        self._working[work] = job
        work.add_done_callback(lambda _: self.ready())

    def take(self, timeout_s: float | None, gather_s: float = 0.0) -> Iterator[tuple[StemJob, News]]:
        """Publish what is ready, after waiting for the first of them for as long as this; gives each stem's news.

        `gather_s` is how long others may still come after the first, to wait for the disk together.

        Raises:
            PlaceError: where the outbox fails.
        """
        done, left = wait(self._working, timeout_s, return_when=FIRST_COMPLETED)
        if gather_s and done and left:
            done, _ = wait(self._working, gather_s)
        works = [(self._working.pop(work), work) for work in sorted(done, key=list(self._working).index)]
        told, made = self._results(works)
        for (job, prepared), outcome in zip(made, self.staging.publish_all(made), strict=True):
            if news := self._published(job, prepared, outcome):
                told.append((job, news))
        yield from told
        for link in self.staging.project.settings.links:
            self._decide(link)

    def clear(self) -> None:
        """Let go of everything at work: what has not begun is not begun, what is ready is discarded."""
        for work in self._working:
            work.cancel()
        for work in self._working:
            if not work.cancelled() and work.exception() is None and isinstance(made := work.result(), Prepared):
                made.discard()
        self._working.clear()
        self._measured.clear()
        self.staging.groups.settled()

    def _decide(self, link: Link) -> None:
        """Put the members of a link to work for their copies, once all that are known to come have been measured."""
        groups = self.staging.groups
        measured = any(groups.link_of(job.stem) is link for job in self._measured.values())
        if not measured and link.name not in self._undecided:
            return
        coming = (*(job.stem for job in self._working.values() if job.link_trim is None), *self.awaited)
        if any(groups.link_of(stem) is link for stem in coming if stem not in self._measured):
            return
        self._undecided.discard(link.name)
        trim = groups.decided(link)
        for stem in [stem for stem in self._measured if groups.link_of(stem) is link]:
            self.put(replace(self._measured.pop(stem), link_trim=trim))
        for entry, member in groups.others(link, trim) if trim else ():
            job = self.staging.job(os.fsdecode(entry.key), again=True)
            if not self.is_at(job.relative):
                self.put(replace(job, member=member, link_trim=trim))

    def _results(
        self, works: Iterable[tuple[StemJob, Work]]
    ) -> tuple[list[tuple[StemJob, News]], list[tuple[StemJob, Prepared]]]:
        """Give what is to be told, and what is to be published; where one of them ends it all, no draft is left."""
        told: list[tuple[StemJob, News]] = []
        made: list[tuple[StemJob, Prepared]] = []
        try:
            for job, work in works:
                found = self._result(job, work)
                if isinstance(found, Prepared):
                    made.append((job, found))
                elif found is not None:
                    told.append((job, found))
        except BaseException:
            for _, prepared in made:
                prepared.discard()
            for _, work in works:
                if not work.cancelled() and work.exception() is None and isinstance(left := work.result(), Prepared):
                    left.discard()
            raise
        return told, made

    def _result(self, job: StemJob, work: Work) -> Prepared | News | None:
        """Give what is to be published, or what is to be told; None where the stem is put to work once more."""
        try:
            made = work.result()
        except StemError as error:
            return self._refused(job, error)
        if isinstance(made, tuple):
            heard, member = made
            self.staging.groups.expect(member)
            self._measured[job.stem] = replace(job, heard=heard, member=member)
            return None
        if isinstance(made, Prepared):
            return made
        staged = self.staging.unchanged(job, made)
        if staged is None:  # its copy was removed meanwhile
            self.put(self.staging.job(job.relative, again=True))
            return None
        self.staging.groups.settled(job.stem)
        return News(staged)

    def _published(
        self, job: StemJob, prepared: Prepared, outcome: Staged | FileExistsError | StemError
    ) -> News | None:
        """Give the news of what was published; where its name was taken meanwhile, it is made once more."""
        if isinstance(outcome, FileExistsError):
            self.put(job)
            return None
        if isinstance(outcome, StemError):
            return self._refused(job, outcome)
        self.staging.groups.settled(job.stem)
        foreign = prepared.place.instead_of
        return News(outcome, prepared.hints, shown(foreign.name) if foreign else None)

    def _refused(self, job: StemJob, error: StemError) -> News:
        self.staging.groups.settled(job.stem)
        if job.link_trim:  # the others were decided with it, and are decided anew without it
            self._undecided.add(job.link_trim.link)
        return News(self.staging.refuse(job, error))


@contextmanager
def bench(staging: Staging, jobs: int | None, executor: Executor | None = None) -> Iterator[Bench]:
    """Give a bench with `jobs` threads of its own, or one that hands at most `jobs` stems at once to an executor.

    What is still at work when it ends is let go of; the executor itself is its maker's to end. Processes and other
    machines must see the project's folders under the same paths.
    """
    with ExitStack() as stack:
        if executor is None:
            workers = jobs or os.cpu_count() or 1
            room = 4 * workers
            hands: Executor = stack.enter_context(ThreadPoolExecutor(workers, thread_name_prefix="stem"))
        else:
            room = jobs or 4 * (os.cpu_count() or 1)
            hands = stack.enter_context(errands(staging.project, executor))
        yield from _worked(Bench(staging, hands, room))


def _worked(made: Bench) -> Iterator[Bench]:
    try:
        yield made
    except BaseException:
        request_stop()
        raise
    finally:
        made.clear()
        allow_work()
