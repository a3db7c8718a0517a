"""Many stems at once: the one place where a stem's error becomes an outcome.

Stems are prepared on any executor of `concurrent.futures`; what they leave is published by the calling thread alone,
one after the other.
"""

import time
from collections.abc import Callable, Container, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Final

from stager.containers import fingerprint_of
from stager.errors import StemError, StillGrowingStem, internal_errors
from stager.model import Outcome, Staged, StemName
from stager.project import Project
from stager.project.inbox import stems_in
from stager.staging.ledger import LEDGER, Known, read_entries
from stager.staging.links import LinkSession
from stager.staging.outbox import clashes
from stager.staging.prepare import measure_member, rehearse
from stager.staging.publish import Staging
from stager.staging.queue import ExecutorChoice, OutcomeEvent, StemQueue, refusal_event, stem_queue
from stager.staging.state import job_of, refused
from stager.staging.stem import StemJob
from stager.system.open_files import held_for_writing
from stager.system.printable import shown

LONGEST_WAIT_S: Final = 3.0
"""How long a batch waits for one file to come to rest; a watch waits as long as it takes."""
GATHER_S: Final = 0.05
"""How long a stem that is ready may wait for others, so that the disk syncs them together."""
OWN_THREADS: Final = ExecutorChoice()


def stage_all(
    staging: Staging,
    names: Iterable[str],
    *,
    again: bool,
    on_outcome: Callable[[OutcomeEvent], None],
    executor: ExecutorChoice = OWN_THREADS,
) -> list[Outcome]:
    """Stage these stems and return their outcomes in the order of the names; each is handed on as it is known.

    Members of their links that get another trim by it are staged too, and their outcomes come last.

    Raises:
        ClusterFailed: where the executor's processes can't be used, or go away; what was published until then stays.
        PlaceError: where a place fails; what was published until then stays.
    """
    here = stems_in(staging.project)
    listed = _with_members(staging, list(names), here)
    with stem_queue(staging, executor) as queue:
        outcomes = _Batch(staging, queue, on_outcome, again=again).run(listed, clashes(staging.project, here))
    return [outcomes[relative] for relative in dict.fromkeys((*listed, *sorted(outcomes)))]


class _Batch:
    """The stems of one run on their way through the queue."""

    def __init__(
        self, staging: Staging, queue: StemQueue, on_outcome: Callable[[OutcomeEvent], None], *, again: bool
    ) -> None:
        self._staging, self._queue, self._on_outcome, self._again = staging, queue, on_outcome, again
        self._outcomes: dict[str, Outcome] = {}

    def run(self, listed: list[str], clashing: Mapping[str, str]) -> dict[str, Outcome]:
        """Submit all and collect all; return the outcomes by relative name."""
        held = _held(self._staging, listed)
        awaited = {shown(relative) for relative in listed if self._staging.links.link_of(shown(relative))}
        for relative in listed:
            self._queue.awaited = frozenset(awaited)  # this one too: until there is room for it, others are collected
            self._begin(relative, clashing.get(relative), held.get(relative))
            awaited.discard(shown(relative))
        self._queue.awaited = frozenset()
        while len(self._queue):
            self._collect()
        return self._outcomes

    def _begin(self, relative: str, clash: str | None, held: StillGrowingStem | None) -> None:
        try:
            with internal_errors(shown(relative)):
                current = None if self._again or clash else self._staging.current_now(relative)
        except StemError as error:
            self._refuse(relative, error)
            return
        if current:
            self._note(relative, OutcomeEvent(current))
            return
        while not self._queue.has_room():
            self._collect()
        try:
            with internal_errors(shown(relative)):
                self._check_rest(relative, held)
                self._queue.submit(replace(self._staging.job(relative, again=self._again), clash=clash))
        except StemError as error:
            self._refuse(relative, error)

    def _refuse(self, relative: str, error: StemError) -> None:
        bare = StemJob(self._staging.project, StemName(relative))
        self._note(relative, refusal_event(self._staging, bare, error))

    def _check_rest(self, relative: str, held: StillGrowingStem | None) -> None:
        if held and relative in _held(self._staging, [relative]):
            raise held
        _let_rest(self._staging.project, relative)

    def _collect(self) -> None:
        for job, event in self._queue.collect(None, GATHER_S):
            self._note(job.name.relative, event)

    def _note(self, relative: str, event: OutcomeEvent) -> None:
        self._outcomes[relative] = event.outcome
        self._on_outcome(event)


def rehearse_all(project: Project, names: Iterable[str]) -> Iterator[Outcome]:
    """Yield each stem's outcome as it would be; nothing is written and no lock is taken."""
    here, listed = stems_in(project), list(names)
    clashing = clashes(project, here)
    known = {entry.key: entry for entry in read_entries(project.state / LEDGER)}
    jobs = {}
    for relative in dict.fromkeys((*here, *listed)):
        name = StemName(relative)
        jobs[relative] = replace(job_of(project, name, known.get(name.key)), clash=clashing.get(relative))
    jobs |= _with_links(project, jobs, {link.name for name in listed if (link := project.link_for(shown(name)))})
    for relative in listed:
        try:
            with internal_errors(shown(relative)):
                sidecar = rehearse(jobs[relative])
            yield Staged(sidecar)
        except StemError as error:
            yield refused(jobs[relative], error)


def _with_links(project: Project, jobs: Mapping[str, StemJob], links: Container[str]) -> dict[str, StemJob]:
    """Return the jobs of these links' members, each with the decision as if all members in the inbox were staged."""
    session = LinkSession(project, Known(()))
    for job in jobs.values():
        link = session.link_of(job.name.printable)
        with suppress(StemError), internal_errors(job.name):  # reported when its own turn comes
            if link and link.name in links and isinstance(found := measure_member(job), tuple):
                session.add(job, *found)
    return {job.name.relative: job for job in session.ready((), lambda name: StemJob(project, name))}


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
        raise StillGrowingStem(shown(relative), f"expected it to rest for {settle_s:g} s, found it still being written")


def _with_members(staging: Staging, names: list[str], here: Iterable[str]) -> list[str]:
    """Add the members of their links that have no copy yet: a link is decided from all that lie in the inbox."""
    links = [link for name in names if (link := staging.links.link_of(shown(name)))]
    members = [name for name in here if name not in names and staging.links.link_of(shown(name)) in links]
    return [*names, *(name for name in members if staging.current_now(name) is None)]


def _held(staging: Staging, names: Iterable[str]) -> dict[str, StillGrowingStem]:
    """Return the stems that a process holds open for writing: their writer has not finished."""
    paths = {staging.project.inbox / name: name for name in names}
    says = "expected it closed by its writer, found that"
    return {
        paths[path]: StillGrowingStem(shown(paths[path]), f"{says} {holder} still holds it open for writing")
        for path, holder in held_for_writing(paths).items()
    }
