"""The links of a project as the ledger knows them: what each member brings, and which copies have their group's trim.

A member counts while its stem lies in the inbox and what was measured of it holds under the link's target. A group is
decided from all of them, so a member that comes, goes or changes makes the copies of the others out of date.
"""

import os
from collections.abc import Iterator
from pathlib import Path

from stager.judge import LinkMember, LinkTrim, decide_link
from stager.ledger import Entry, Known
from stager.project import Link, Project


class Groups:
    """Asks the ledger about links; used by the thread that holds it."""

    def __init__(self, project: Project, known: Known) -> None:
        self._project, self._known = project, known
        self._coming: dict[str, LinkMember] = {}
        self._decided: dict[tuple[str, int], LinkTrim | None] = {}
        self._number = 0

    def link_of(self, relative: str) -> Link | None:
        """Give the link of a stem, by its printable name."""
        return self._project.link_for(relative) if self._project.settings.links else None

    def is_right(self, entry: Entry) -> bool:
        """Say whether a stem's copy has the trim that its group has now; one without a link always has."""
        link = self.link_of(entry.stem)
        if link is None:
            return not entry.linked
        trim = self.decided(link)
        return trim is not None and entry.linked == trim.model_dump_json()

    def look_again(self) -> None:
        """Decide anew when asked next: members may have come to the inbox or gone from it."""
        self._number += 1

    def expect(self, member: LinkMember) -> None:
        """Count a stem that was just measured, though its copy isn't in place yet."""
        self._coming[member.stem] = member
        self.look_again()

    def settled(self, stem: str | None = None) -> None:
        """Count no longer what was measured of a stem, or of all: its copy is in place, or there is none."""
        if stem is None:
            self._coming.clear()
        else:
            self._coming.pop(stem, None)
        self.look_again()

    def decided(self, link: Link) -> LinkTrim | None:
        """Decide a link from those just measured and the stored ones of all others; None where there is no member."""
        key = link.name, self._number + self._known.changes
        if key not in self._decided:
            self._decided = {key: self._decide(link)}
        return self._decided[key]

    def _decide(self, link: Link) -> LinkTrim | None:
        found = {entry.stem: member for entry, member in self.members(link)}
        found |= {stem: member for stem, member in self._coming.items() if self.link_of(stem) is link}
        members = [found[stem] for stem in sorted(found)]
        return decide_link(link.name, self._project.link_target(link), members) if members else None

    def others(self, link: Link, trim: LinkTrim) -> Iterator[tuple[Entry, LinkMember]]:
        """Give the stored members whose copies have another trim than the group now, and aren't coming anyway."""
        for entry, member in self.members(link):
            if entry.stem not in self._coming and entry.linked != trim.model_dump_json():
                yield entry, member

    def members(self, link: Link) -> Iterator[tuple[Entry, LinkMember]]:
        """Give the stored members of a link that still count."""
        target = self._project.link_target(link)
        for entry in self._known.of_links():
            if entry.state == "refused" or self.link_of(entry.stem) is not link:
                continue
            if not os.path.lexists(self._path(entry)):
                continue
            member = LinkMember.model_validate_json(entry.member)
            if member.target == target and member.source_sha256 == entry.source_sha256:
                yield entry, member

    def _path(self, entry: Entry) -> Path:
        return self._project.inbox / os.fsdecode(entry.key)
