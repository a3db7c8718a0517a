"""Gathers the outcome of every stem from the ledger and the sidecars."""

import os

from stager.ledger import Entry, read_entries
from stager.model import Outcome, Refused, Staged
from stager.names import shown
from stager.outbox import sidecar_of
from stager.project import Project
from stager.staging import LEDGER


def collect(project: Project) -> list[Outcome]:
    """Give the last outcome of every stem, by name; needs no lock.

    Raises:
        PlaceError: where the ledger can't be read.
    """
    outcomes = (_outcome(project, entry) for entry in read_entries(project.state / LEDGER))
    return [outcome for outcome in outcomes if outcome]


def _outcome(project: Project, entry: Entry) -> Outcome | None:
    if entry.state == "refused":
        source = os.path.relpath(project.inbox / os.fsdecode(entry.key), project.folder)
        return Refused(entry.stem, shown(source), entry.refused, entry.says)
    sidecar = sidecar_of(project.outbox / os.fsdecode(entry.copy_path))
    return Staged(sidecar, fresh=False) if sidecar else None
