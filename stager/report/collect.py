"""Reads the outcome of every stem from the ledger and the sidecars."""

import os
from collections.abc import Iterator
from datetime import datetime

from stager.model import Outcome, Refused, Staged
from stager.project import Project
from stager.staging.ledger import LEDGER, Entry, read_entries
from stager.staging.outbox import sidecar_of
from stager.system.printable import shown


def collect(project: Project) -> list[Outcome]:
    """Return the last outcome of every stem, by name; needs no lock.

    Raises:
        PlaceError: where the ledger can't be read.
    """
    return list(outcomes_of(project))


def outcomes_of(project: Project) -> Iterator[Outcome]:
    """Yield the same one by one, so that thousands of sidecars are not in memory together.

    Raises:
        PlaceError: where the ledger can't be read.
    """
    for entry in read_entries(project.state / LEDGER):
        if outcome := _outcome(project, entry):
            yield outcome


def last_outcome_at(project: Project) -> datetime | None:
    """Return the time of the last outcome, or None without any."""
    times = (entry.at for entry in read_entries(project.state / LEDGER))
    return max(map(datetime.fromisoformat, times), default=None)


def _outcome(project: Project, entry: Entry) -> Outcome | None:
    if entry.state == "refused":
        source = os.path.relpath(project.inbox / os.fsdecode(entry.key), project.folder)
        return Refused(entry.stem, shown(source), entry.refused, entry.says)
    sidecar = sidecar_of(project.outbox / os.fsdecode(entry.copy_path))
    return Staged(sidecar, fresh=False) if sidecar else None
