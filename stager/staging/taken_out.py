"""Stems that were staged and then taken out of the inbox: their copies stay, and are listed for removal."""

import os
from dataclasses import dataclass

from stager.project import Project
from stager.staging.ledger import LEDGER, read_entries
from stager.system.printable import shown


@dataclass(frozen=True)
class TakenOut:
    """A stem without an original: its path below the inbox, and its copy's, relative to the project's folder."""

    stem: str
    copy: str


def taken_out(project: Project) -> tuple[TakenOut, ...]:
    """Return the staged stems that are no longer in the inbox, by name; none where the inbox itself is missing.

    Raises:
        PlaceError: where the ledger can't be read.
    """
    if not project.inbox.is_dir():
        return ()
    found = []
    for entry in read_entries(project.state / LEDGER):
        copy = project.outbox / os.fsdecode(entry.copy_path)
        if entry.copy_sha256 and os.path.lexists(copy) and not os.path.lexists(project.inbox / os.fsdecode(entry.key)):
            found.append(TakenOut(entry.stem, shown(os.path.relpath(copy, project.folder))))
    return tuple(sorted(found, key=lambda each: each.stem))
