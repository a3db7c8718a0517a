"""The queue of stems: prepared on any executor of `concurrent.futures`, published by the project's thread."""

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ThreadPoolExecutor, wait
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, field

from stager.analysis.analyse import StemAnalysis
from stager.errors import StemError, internal_errors
from stager.judge import Hint, LinkMember
from stager.model import Outcome, Staged, StemName
from stager.project import Project
from stager.staging.prepare import Prepared, Unchanged, measure_member, prepare
from stager.staging.publish import Staging
from stager.staging.stem import StemJob
from stager.system.cancel import allow_work, request_stop
from stager.system.printable import shown

Work = Future[Prepared | Unchanged | tuple[StemAnalysis, LinkMember]]
OpensExecutor = Callable[[Project], AbstractContextManager[Executor]]
"""Opens an executor for the stems of one project, for as long as the context lasts."""


@dataclass(frozen=True)
class OutcomeEvent:
    """One stem's outcome with its hints, and the person's file that the copy had to be written beside."""

    outcome: Outcome
    hints: tuple[Hint, ...] = ()
    instead_of: str | None = None


@dataclass(frozen=True)
class ExecutorChoice:
    """Where stems are prepared: in `jobs` threads of our own, or on an executor that is given so many stems at once."""

    jobs: int | None = None
    opens_executor: OpensExecutor | None = None


@dataclass
class StemQueue:
    """Stems that were submitted to the executor and are not collected; at most `room` at a time.

    A stem in a link is measured first, and staged once no stem of its link is being measured or `awaited`: stems that
    will be submitted soon, by their printable names. `ready` is called, from another thread, when a stem is.
    """

    staging: Staging
    executor: Executor
    room: int
    ready: Callable[[], None] = lambda: None
    awaited: frozenset[str] = frozenset()
    _submitted: dict[Work, StemJob] = field(default_factory=dict)

    def __len__(self) -> int:
        """How many stems are not collected."""
        return len(self._submitted) + len(self.staging.links.waiting)

    @property
    def free(self) -> int:
        """How many more stems may be submitted."""
        return self.room - len(self._submitted)

    def has_room(self) -> bool:
        """Return whether another stem may be submitted."""
        return self.free > 0

    def holds(self, relative: str) -> bool:
        """Return whether this stem is submitted and not collected, or waits for its link."""
        jobs = (*self._submitted.values(), *self.staging.links.waiting.values())
        return any(job.name.relative == relative for job in jobs)

    def submit(self, job: StemJob) -> None:
        """Begin a stem: prepare its copy, or only measure it while its link is undecided. Ask `has_room` first."""
        is_alone = job.link_trim is not None or self.staging.links.link_of(job.name.printable) is None
        work: Work = self.executor.submit(prepare if is_alone else measure_member, job)
        self._submitted[work] = job
        work.add_done_callback(lambda _: self.ready())

    def collect(self, timeout_s: float | None, gather_s: float = 0.0) -> Iterator[tuple[StemJob, OutcomeEvent]]:
        """Publish what is ready, after waiting this long for the first; yield each stem's outcome.

        `gather_s` is how long others may still come after the first, to be synced to the disk together.

        Raises:
            PlaceError: where the outbox fails.
        """
        done, left = wait(self._submitted, timeout_s, return_when=FIRST_COMPLETED)
        if gather_s and done and left:
            done, _ = wait(self._submitted, gather_s)
        works = [(self._submitted.pop(work), work) for work in sorted(done, key=list(self._submitted).index)]
        events, prepared = self._results(works)
        for (job, stem), outcome in zip(prepared, self.staging.publish_all(prepared), strict=True):
            if event := self._published(job, stem, outcome):
                events.append((job, event))
        yield from events
        coming = (job.name.printable for job in self._submitted.values() if job.link_trim is None)
        for job in tuple(self.staging.links.ready((*coming, *self.awaited), self._job_again)):
            if not self.holds(job.name.relative):
                self.submit(job)

    def clear(self) -> None:
        """Cancel what has not begun, and discard what is ready."""
        for work in self._submitted:
            work.cancel()
        for work in self._submitted:
            _discard(work)
        self._submitted.clear()
        self.staging.links.settled()

    def _job_again(self, name: StemName) -> StemJob:
        return self.staging.job(name.relative, again=True)

    def _results(
        self, works: Iterable[tuple[StemJob, Work]]
    ) -> tuple[list[tuple[StemJob, OutcomeEvent]], list[tuple[StemJob, Prepared]]]:
        """Return the outcomes, and what is to be published; where an error ends the run, no draft is left."""
        events: list[tuple[StemJob, OutcomeEvent]] = []
        prepared: list[tuple[StemJob, Prepared]] = []
        try:
            for job, work in works:
                found = self._result(job, work)
                if isinstance(found, Prepared):
                    prepared.append((job, found))
                elif found is not None:
                    events.append((job, found))
        except BaseException:
            for _, work in works:
                _discard(work)
            raise
        return events, prepared

    def _result(self, job: StemJob, work: Work) -> Prepared | OutcomeEvent | None:
        """Return what is to be published, or the outcome; None where the stem is submitted once more, or waits."""
        try:
            with internal_errors(job.name, BrokenExecutor):  # which is no stem's fault
                result = work.result()
        except StemError as error:
            return self._refused(job, error)
        if isinstance(result, tuple):
            self.staging.links.add(job, *result)
            return None
        if isinstance(result, Prepared):
            return result
        staged = self.staging.unchanged(job, result)
        if staged is None:  # its copy was removed meanwhile
            self.submit(self._job_again(job.name))
            return None
        self.staging.links.settled(job.name.printable)
        return OutcomeEvent(staged)

    def _published(
        self, job: StemJob, prepared: Prepared, outcome: Staged | FileExistsError | StemError
    ) -> OutcomeEvent | None:
        """Return the outcome of what was published; a stem whose copy's name was taken meanwhile is submitted again."""
        if isinstance(outcome, FileExistsError):
            self.submit(job)
            return None
        if isinstance(outcome, StemError):
            return self._refused(job, outcome)
        self.staging.links.settled(job.name.printable)
        foreign = prepared.place.instead_of
        return OutcomeEvent(outcome, prepared.hints, shown(foreign.name) if foreign else None)

    def _refused(self, job: StemJob, error: StemError) -> OutcomeEvent:
        self.staging.links.settled(job.name.printable)
        if job.link_trim:
            self.staging.links.reopen(job.link_trim)
        return refusal_event(self.staging, job, error)


def refusal_event(staging: Staging, job: StemJob, error: StemError) -> OutcomeEvent:
    """Note a refusal and return it."""
    return OutcomeEvent(staging.refuse(job, error))


def _discard(work: Work) -> None:
    """Remove the drafts of a stem that is ready, or is soon; one that failed left none."""
    if not work.cancelled() and work.exception() is None and isinstance(left := work.result(), Prepared):
        left.discard()


@contextmanager
def stem_queue(staging: Staging, choice: ExecutorChoice) -> Iterator[StemQueue]:
    """Yield a queue with threads of its own, or one that submits stems to another executor.

    What is still submitted when it ends is cancelled; the executor itself is shut down by whoever opened it. Processes
    and other machines must see the project's folders under the same paths.
    """
    with ExitStack() as stack:
        if choice.opens_executor is None:
            workers = choice.jobs or os.cpu_count() or 1
            room = 4 * workers
            executor: Executor = stack.enter_context(ThreadPoolExecutor(workers, thread_name_prefix="stem"))
        else:
            room = choice.jobs or 4 * (os.cpu_count() or 1)
            executor = stack.enter_context(choice.opens_executor(staging.project))
        yield from _until_cleared(StemQueue(staging, executor, room))


def _until_cleared(queue: StemQueue) -> Iterator[StemQueue]:
    try:
        yield queue
    except BaseException:
        request_stop()
        raise
    finally:
        queue.clear()
        allow_work()
