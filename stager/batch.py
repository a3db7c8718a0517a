"""Many stems at once: the one place where a stem's error becomes an outcome.

Stems are prepared on any executor of `concurrent.futures`; what they leave is published by the calling thread alone,
one after the other.
"""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from typing import Final

from stager.containers import fingerprint_of
from stager.errors import StemError, StillGrowingStem
from stager.hear import Heard
from stager.holders import held_for_writing
from stager.inbox import stems_in
from stager.judge import Hint, LinkMember, decide_link
from stager.ledger import read_entries
from stager.model import Outcome, Staged
from stager.names import shown
from stager.outbox import clashes
from stager.pipeline import Prepared, StemJob, Unchanged, measure_member, prepare, rehearse
from stager.project import Link, Project
from stager.staging import LEDGER, Staging
from stager.standing import job_of, refused
from stager.stopping import allow_work, request_stop

LONGEST_WAIT_S: Final = 3.0
"""How long a batch waits for one file to come to rest; a watch waits as long as it takes."""

Work = Future[Prepared | Unchanged | tuple[Heard, LinkMember]]


@dataclass(frozen=True)
class News:
    """One stem's outcome, with what is worth saying beside it."""

    outcome: Outcome
    hints: tuple[Hint, ...] = ()
    instead_of: str | None = None


@dataclass
class Bench:
    """Stems at work: what was handed to the executor and has not come back. Never more than `room` at a time.

    A stem in a link is measured first, and staged once nobody of its link is being measured or `awaited`: stems that
    will be put to work soon, by their printable names.
    """

    staging: Staging
    executor: Executor
    room: int
    awaited: frozenset[str] = frozenset()
    _working: dict[Work, StemJob] = field(default_factory=dict)
    _measured: dict[str, StemJob] = field(default_factory=dict)

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
        return any(job.relative == relative for job in self._working.values())

    def put(self, job: StemJob) -> None:
        """Put a stem to work."""
        is_alone = job.link_trim is not None or self.staging.groups.link_of(job.stem) is None
        self._working[self.executor.submit(prepare if is_alone else measure_member, job)] = job

    def take(self, timeout_s: float | None) -> Iterator[tuple[StemJob, News]]:
        """Publish what is ready, after waiting for the first of them for as long as this; gives each stem's news.

        Raises:
            PlaceError: where the outbox fails.
        """
        done, _ = wait(self._working, timeout_s, return_when=FIRST_COMPLETED)
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
        if not any(groups.link_of(job.stem) is link for job in self._measured.values()):
            return
        coming = (*(job.stem for job in self._working.values() if job.link_trim is None), *self.awaited)
        if any(groups.link_of(stem) is link for stem in coming if stem not in self._measured):
            return
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
        return News(self.staging.refuse(job, error))


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

    Members of their links that get another trim by it are staged too, and their outcomes come last.

    Raises:
        PlaceError: where a place fails; what was published until then stays.
    """
    outcomes: dict[str, Outcome] = {}
    listed, clashing = list(names), clashes(staging.project, stems_in(staging.project))

    def note(relative: str, news: News) -> None:
        outcomes[relative] = news.outcome
        tell(news)

    held = _held(staging, listed)
    with bench(staging, jobs) as at_work:
        awaited = {shown(relative) for relative in listed if staging.groups.link_of(shown(relative))}
        for relative in listed:
            awaited.discard(shown(relative))
            at_work.awaited = frozenset(awaited)
            clash = clashing.get(relative)
            current = None if again or clash else staging.current_now(relative)
            if current:
                note(relative, News(current))
                continue
            while not at_work.has_room():
                for job, news in at_work.take(None):
                    note(job.relative, news)
            try:
                if relative in held and relative in _held(staging, [relative]):
                    raise held[relative]
                _let_rest(staging.project, relative)
            except StemError as error:
                note(relative, News(staging.refuse(staging.job(relative), error)))
                continue
            at_work.put(replace(staging.job(relative, again=again), clash=clash))
        while len(at_work):
            for job, news in at_work.take(None):
                note(job.relative, news)
    return [outcomes[relative] for relative in dict.fromkeys((*listed, *sorted(outcomes)))]


def rehearse_all(project: Project, names: Iterable[str]) -> Iterator[Outcome]:
    """Give each stem's outcome as it would be; nothing is written and no lock is taken."""
    clashing = clashes(project, stems_in(project))
    known = {entry.key: entry for entry in read_entries(project.state / LEDGER)}
    jobs = {
        relative: replace(job_of(project, relative, known.get(os.fsencode(relative))), clash=clashing.get(relative))
        for relative in (*stems_in(project), *names)
    }
    listed = list(names)
    for link in project.settings.links:
        _rehearse_link(link, jobs, listed)
    for relative in listed:
        try:
            yield Staged(rehearse(jobs[relative]))
        except StemError as error:
            yield refused(jobs[relative], error)


def _rehearse_link(link: Link, jobs: dict[str, StemJob], listed: Iterable[str]) -> None:
    """Decide a link as if all its members in the inbox were staged, and put the decision into their jobs."""
    members = {relative: job for relative, job in jobs.items() if job.project.link_for(job.stem) is link}
    for relative, job in members.items() if set(listed) & members.keys() else ():
        with suppress(StemError):  # told when its own turn comes
            measured = measure_member(job)
            assert isinstance(measured, tuple)
            jobs[relative] = replace(job, heard=measured[0], member=measured[1])
    found = [member for relative in members if (member := jobs[relative].member)]
    target = next(iter(jobs.values())).project.link_target(link) if found else None
    trim = decide_link(link.name, target, found) if target else None
    for relative in members:
        jobs[relative] = replace(jobs[relative], link_trim=trim)


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


def _held(staging: Staging, names: Iterable[str]) -> dict[str, StillGrowingStem]:
    """Those stems that a process holds open for writing: whatever they look like, their writer has not finished."""
    paths = {staging.project.inbox / name: name for name in names}
    says = "expected it closed by its writer, found that"
    return {
        paths[path]: StillGrowingStem(f"{shown(paths[path])}: {says} {holder} still holds it open for writing")
        for path, holder in held_for_writing(paths).items()
    }
