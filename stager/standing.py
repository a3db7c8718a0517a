"""How a project stands: which stems have an up-to-date copy, and what the others ask for. Nothing is written here."""

import os
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from stager.containers import fingerprint_if_there
from stager.errors import StemError
from stager.files import fingerprint
from stager.groups import Groups
from stager.ledger import Entry, Known
from stager.model import Fingerprint, Refused, Sidecar, Staged
from stager.names import shown
from stager.outbox import is_unaltered, sidecar_of, sidecar_place
from stager.pipeline import RULES_VERSION, StemJob
from stager.project import Project


class Standing:
    """A project beside what its ledger knows; needs no lock."""

    def __init__(self, project: Project, known: Known) -> None:
        self.project = project
        self.known = known
        self.groups = Groups(project, known)
        self._settings: dict[str, str] = {}

    def is_current(self, relative: str, fingerprint: Fingerprint) -> bool:
        """Say whether neither stem nor settings changed since an earlier run, and the copy is in place.

        Nothing is opened where copy and sidecar look as they did when they were put in place.
        """
        entry = self.known.entry(os.fsencode(relative))
        if entry is None or not self._is_in_force(entry) or as_text(fingerprint) != entry.fingerprint:
            return False
        if not self.groups.is_right(entry):
            return False
        return (bool(entry.seen) and self.seen_now(entry) == entry.seen) or self._sidecar(entry) is not None

    def current(self, relative: str, fingerprint: Fingerprint | None) -> Staged | None:
        """Give the outcome of an earlier run, where neither stem nor settings changed and the copy is in place.

        `fingerprint` is the stem's now; None skips that comparison.
        """
        entry = self.known.entry(os.fsencode(relative))
        if entry is None or not self._is_in_force(entry):
            return None
        if fingerprint is not None and as_text(fingerprint) != entry.fingerprint:
            return None
        if not self.groups.is_right(entry):
            return None
        sidecar = self._sidecar(entry)
        return Staged(sidecar, fresh=False) if sidecar else None

    def current_now(self, relative: str) -> Staged | None:
        """Give the same of a stem as it lies in the inbox now; None also where none is there."""
        found = fingerprint_if_there(self.project.inbox / relative)
        return self.current(relative, found) if found else None

    def job(self, relative: str, *, again: bool = False) -> StemJob:
        """Give the work that a stem asks for; with `again`, even where its copy is up to date."""
        entry = self.known.entry(os.fsencode(relative))
        job = job_of(self.project, relative, entry)
        if entry is None or again or not self._is_in_force(entry) or self._sidecar(entry) is None:
            return job
        if not self.groups.is_right(entry):
            return job
        return replace(job, known_sha256=entry.source_sha256)

    def _is_in_force(self, entry: Entry) -> bool:
        if entry.state != "staged" or entry.rules != RULES_VERSION:
            return False
        if entry.stem not in self._settings:
            self._settings[entry.stem] = self.project.settings_sha256_for(entry.stem)
        return entry.settings_sha256 == self._settings[entry.stem]

    def seen_now(self, entry: Entry) -> str:
        """Say how copy and sidecar look to the system, or nothing where one of them is not there."""
        copy = self.project.outbox / os.fsdecode(entry.copy_path)
        with suppress(OSError):
            return " ".join(as_text(fingerprint(path.lstat())) for path in (copy, sidecar_place(copy)))
        return ""

    def _sidecar(self, entry: Entry) -> Sidecar | None:
        """The sidecar of an entry's copy, where both are in place and belong together."""
        copy = self.project.outbox / os.fsdecode(entry.copy_path)
        sidecar = sidecar_of(copy)
        if sidecar is None or sidecar.copy_ is None or sidecar.copy_.sha256 != entry.copy_sha256:
            return None
        return sidecar if is_unaltered(copy, entry.copy_sha256) else None


def job_of(project: Project, relative: str, entry: Entry | None) -> StemJob:
    """Give the work that a stem asks for, by what the ledger knows of it; `known_sha256` is left open."""
    if entry is None or not entry.copy_sha256:
        return StemJob(project, relative)
    own = frozenset({entry.copy_sha256, entry.former_sha256} - {""})
    return StemJob(project, relative, former_sha256=entry.source_sha256, version=entry.version, own_sha256s=own)


def refused(job: StemJob, error: StemError) -> Refused:
    """Give the outcome of a stem that can't be staged."""
    path = shown(Path(os.path.relpath(job.path, job.project.folder)))
    return Refused(job.stem, path, error.code, str(error))


def as_text(found: Fingerprint) -> str:
    """Give a fingerprint as text, without its device, whose number is another one after a disk was plugged in again."""
    return f"{found.inode}:{found.size_bytes}:{found.modified_ns}:{found.changed_ns}"
