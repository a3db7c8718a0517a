"""Many stems at once: the one place where a stem's error becomes an outcome.

Stems are prepared on any executor of `concurrent.futures`; what they leave is published by the calling thread alone,
one after the other.
"""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import replace
from typing import Final

from stager.bench import News, bench
from stager.containers import fingerprint_of
from stager.errors import StemError, StillGrowingStem
from stager.holders import held_for_writing
from stager.inbox import stems_in
from stager.judge import decide_link
from stager.ledger import read_entries
from stager.model import Outcome, Staged
from stager.names import shown
from stager.outbox import clashes
from stager.pipeline import StemJob, measure_member, rehearse
from stager.project import Link, Project
from stager.staging import LEDGER, Staging
from stager.standing import job_of, refused

LONGEST_WAIT_S: Final = 3.0
"""How long a batch waits for one file to come to rest; a watch waits as long as it takes."""
GATHER_S: Final = 0.05
"""How long a stem that is ready may wait for others: hands have more to do meanwhile, and the disk is asked once."""


def stage_all(
    staging: Staging,
    names: Iterable[str],
    *,
    again: bool,
    jobs: int | None,
    tell: Callable[[News], None],
    executor: Executor | None = None,
) -> list[Outcome]:
    """Stage these stems and give their outcomes in the order of the names; `tell` hears of each as it is done.

    Members of their links that get another trim by it are staged too, and their outcomes come last. The work is done by
    `jobs` threads of our own, or by an executor that is handed so many stems at once.

    Raises:
        ClusterFailed: where the executor's processes can't be used, or go away; what was published until then stays.
        PlaceError: where a place fails; what was published until then stays.
    """
    outcomes: dict[str, Outcome] = {}
    here = stems_in(staging.project)
    listed, clashing = _with_fellows(staging, list(names), here), clashes(staging.project, here)

    def note(relative: str, news: News) -> None:
        outcomes[relative] = news.outcome
        tell(news)

    held = _held(staging, listed)
    with bench(staging, jobs, executor) as at_work:
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
                for job, news in at_work.take(None, GATHER_S):
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
            for job, news in at_work.take(None, GATHER_S):
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


def _with_fellows(staging: Staging, names: list[str], here: Iterable[str]) -> list[str]:
    """Add the members of their links that have no copy yet: a link is decided from all that lie in the inbox."""
    links = [link for name in names if (link := staging.groups.link_of(shown(name)))]
    fellows = [name for name in here if name not in names and staging.groups.link_of(shown(name)) in links]
    return [*names, *(name for name in fellows if staging.current_now(name) is None)]


def _held(staging: Staging, names: Iterable[str]) -> dict[str, StillGrowingStem]:
    """Those stems that a process holds open for writing: whatever they look like, their writer has not finished."""
    paths = {staging.project.inbox / name: name for name in names}
    says = "expected it closed by its writer, found that"
    return {
        paths[path]: StillGrowingStem(f"{shown(paths[path])}: {says} {holder} still holds it open for writing")
        for path, holder in held_for_writing(paths).items()
    }
