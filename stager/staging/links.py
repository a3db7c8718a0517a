"""The decision of a link, in one place: which members count, when it is taken, and which copies have its trim.

A stored member counts while its stem lies in the inbox and what was measured of it holds under the link's target. A
link is decided from all its members, so a member that comes, goes or changes makes the copies of the others out of
date. Nothing is written here: a dry run takes its decisions in the same way, from nothing stored.
"""

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from functools import lru_cache

from stager.analysis.analyse import StemAnalysis
from stager.judge import LinkMember, LinkTrim, decide_link, stored_link_trim
from stager.model import StemName
from stager.model.words import ANY_WORDS
from stager.project import Link, Project
from stager.staging.ledger import Entry, Known
from stager.staging.stem import StemJob

_stored_trim = lru_cache(maxsize=1024)(stored_link_trim)


class LinkSession:
    """The links of a project while its stems are staged; used by the thread that holds the ledger.

    Stems that were measured for their link wait here until all that are known to come have been, and are then to be
    staged with the link's decision.
    """

    def __init__(self, project: Project, known: Known) -> None:
        self._project, self._known = project, known
        self._links: dict[str, Link | None] = {}
        self._coming: dict[str, LinkMember] = {}
        self._waiting: dict[str, StemJob] = {}
        self._undecided: set[str] = set()
        self._decided: dict[str, LinkTrim | None] = {}
        self._decided_at = (0, 0)
        self._looks = 0

    def link_of(self, stem: str) -> Link | None:
        """Return the link of a stem, by its printable name."""
        if stem not in self._links:
            self._links[stem] = self._project.link_for(stem) if self._project.settings.links else None
        return self._links[stem]

    def is_right(self, entry: Entry) -> bool:
        """Return whether a stem's copy has the trim that its link has now; one without a link always has."""
        link = self.link_of(entry.stem)
        return not entry.linked if link is None else _has_trim(entry, self.decided(link))

    def look_again(self) -> None:
        """Decide every link anew: members may have come to the inbox or gone from it."""
        self._looks += 1

    def add(self, job: StemJob, analysis: StemAnalysis, member: LinkMember) -> None:
        """Count a stem that was just measured, and let it wait for its link's decision."""
        self._coming[member.stem] = member
        self._waiting[member.stem] = replace(job, analysis=analysis, member=member)
        self.look_again()

    def settled(self, stem: str | None = None) -> None:
        """Stop counting what was measured of a stem, or of all: its copy is in place, or there is none."""
        if stem is None:
            self._coming.clear()
            self._waiting.clear()
        else:
            self._coming.pop(stem, None)
        self.look_again()

    def reopen(self, trim: LinkTrim) -> None:
        """Decide a link once more: a member that was decided with the others has no copy after all."""
        self._undecided.add(trim.link)

    @property
    def waiting(self) -> Mapping[str, StemJob]:
        """The stems that were measured and wait for their link, by printable name."""
        return self._waiting

    def ready(self, coming: Iterable[str], job_of: Callable[[StemName], StemJob]) -> Iterator[StemJob]:
        """Yield the stems of every link that can be decided now, each with the decision; `coming` stems hold theirs up.

        Those are the waiting ones, and the stored members whose copies have another trim, for which `job_of` returns
        the job.
        """
        held_up = {id(self.link_of(stem)) for stem in coming if stem not in self._waiting}
        measured = {id(self.link_of(stem)) for stem in self._waiting}
        for link in self._project.settings.links if measured or self._undecided else ():
            if (id(link) in measured or link.name in self._undecided) and id(link) not in held_up:
                self._undecided.discard(link.name)
                yield from self._jobs(link, job_of)

    def decided(self, link: Link) -> LinkTrim | None:
        """Decide a link from those just measured and the stored ones of all others; None where there is no member."""
        if self._decided_at != (now := (self._looks, self._known.changes)):
            self._decided, self._decided_at = {}, now
        if link.name not in self._decided:
            found = {entry.stem: member for entry, member in self._members(link)}
            found |= {stem: member for stem, member in self._coming.items() if self.link_of(stem) is link}
            members = [found[stem] for stem in sorted(found)]
            target = self._project.link_target(link)
            self._decided[link.name] = decide_link(link.name, target, members) if members else None
        return self._decided[link.name]

    def _jobs(self, link: Link, job_of: Callable[[StemName], StemJob]) -> Iterator[StemJob]:
        trim = self.decided(link)
        for stem in [stem for stem in self._waiting if self.link_of(stem) is link]:
            yield replace(self._waiting.pop(stem), link_trim=trim)
        for entry, member in tuple(self._members(link)) if trim else ():
            if entry.stem not in self._coming and not _has_trim(entry, trim):
                yield replace(job_of(StemName.of_key(entry.key)), member=member, link_trim=trim)

    def _members(self, link: Link) -> Iterator[tuple[Entry, LinkMember]]:
        """Yield the stored members of a link that still count."""
        target = self._project.link_target(link)
        for entry in self._known.of_links():
            if entry.state == "refused" or self.link_of(entry.stem) is not link:
                continue
            if not os.path.lexists(self._project.inbox / os.fsdecode(entry.key)):
                continue
            member = LinkMember.model_validate_json(entry.member, context=ANY_WORDS)
            if member.target == target and member.source_sha256 == entry.source_sha256:
                yield entry, member


def _has_trim(entry: Entry, trim: LinkTrim | None) -> bool:
    """Return whether a copy was made with this decision."""
    stored = _stored_trim(entry.linked) if entry.linked else None
    return trim is not None and stored is not None and stored.is_same(trim)
