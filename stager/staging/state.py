"""The state of a project: which stems have an up-to-date copy, and what the others need. Nothing is written here."""

import os
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from stager.errors import StemError
from stager.model import Fingerprint, Refused, Sidecar, Staged, StemName
from stager.project import Project
from stager.staging.ledger import Entry, Known
from stager.staging.links import LinkSession
from stager.staging.outbox import is_unaltered, own_copy, sidecar_of, sidecar_place
from stager.staging.ownership import is_anothers, named_in
from stager.staging.prepare import RULES_VERSION
from stager.staging.stem import StemJob
from stager.system.files import fingerprint, fingerprint_if_there
from stager.system.printable import shown


class StagingState:
    """A project and what its ledger knows of it; needs no lock."""

    def __init__(self, project: Project, known: Known) -> None:
        self.project = project
        self.known = known
        self.links = LinkSession(project, known)
        self._settings: dict[str, str] = {}

    def is_current(self, relative: str, fingerprint: Fingerprint) -> bool:
        """Return whether neither stem nor settings changed since an earlier run, and the copy is in place.

        Nothing is opened where copy and sidecar look as they did when they were put in place.
        """
        entry = self.known.entry(os.fsencode(relative))
        if entry is None or not self._is_in_force(entry) or as_text(fingerprint) != entry.fingerprint:
            return False
        if not self.links.is_right(entry):
            return False
        return (bool(entry.seen) and self.seen_now(entry) == entry.seen) or self._sidecar(entry) is not None

    def current(self, relative: str, fingerprint: Fingerprint | None) -> Staged | None:
        """Return the outcome of an earlier run, where neither stem nor settings changed and the copy is in place.

        `fingerprint` is the stem's now; None skips that comparison.
        """
        entry = self.known.entry(os.fsencode(relative))
        if entry is None or not self._is_in_force(entry):
            return None
        if fingerprint is not None and as_text(fingerprint) != entry.fingerprint:
            return None
        if not self.links.is_right(entry):
            return None
        sidecar = self._sidecar(entry)
        return Staged(sidecar, fresh=False) if sidecar else None

    def current_now(self, relative: str) -> Staged | None:
        """Return the same of a stem as it lies in the inbox now; None also where none is there."""
        found = fingerprint_if_there(self.project.inbox / relative)
        return self.current(relative, found) if found else None

    def job(self, relative: str, *, again: bool = False) -> StemJob:
        """Return the work that a stem needs; with `again`, even where its copy is up to date."""
        entry = self.known.entry(os.fsencode(relative))
        job = job_of(self.project, StemName(relative), entry)
        if entry is None or again or not self._is_in_force(entry) or self._sidecar(entry) is None:
            return job
        if not self.links.is_right(entry):
            return job
        return replace(job, known_sha256=entry.source_sha256)

    def _is_in_force(self, entry: Entry) -> bool:
        if entry.state != "staged" or entry.rules != RULES_VERSION:
            return False
        if entry.stem not in self._settings:
            self._settings[entry.stem] = self.project.settings_sha256_for(entry.stem)
        return entry.settings_sha256 == self._settings[entry.stem]

    def seen_now(self, entry: Entry) -> str:
        """Return how copy and sidecar look to the system, or "" where one of them is not there."""
        copy = own_copy(self.project, entry.copy_path)
        with suppress(OSError):
            if copy is None:
                return ""
            return " ".join(as_text(fingerprint(path.lstat())) for path in (copy, sidecar_place(copy)))
        return ""

    def _sidecar(self, entry: Entry) -> Sidecar | None:
        """Return the sidecar of an entry's copy, where both are in place and belong together."""
        copy = own_copy(self.project, entry.copy_path)
        sidecar = sidecar_of(copy) if copy else None
        if sidecar is None or sidecar.copy_ is None or sidecar.copy_.sha256 != entry.copy_sha256:
            return None
        if copy is None or is_anothers(self.project, copy.parent, named_in(sidecar)):
            return None
        return sidecar if is_unaltered(copy, entry.copy_sha256) else None


def job_of(project: Project, name: StemName, entry: Entry | None) -> StemJob:
    """Return the work that a stem needs, by what the ledger knows of it; `known_sha256` is not set."""
    if entry is None or not entry.copy_sha256:
        return StemJob(project, name)
    own = frozenset({entry.copy_sha256, entry.former_sha256} - {""})
    return StemJob(project, name, former_sha256=entry.source_sha256, version=entry.version, own_sha256s=own)


def refused(job: StemJob, error: StemError) -> Refused:
    """Return the outcome of a stem that can't be staged."""
    path = shown(Path(os.path.relpath(job.path, job.project.folder)))
    return Refused(job.name.printable, path, error.code, error.says, error.traceback)


def as_text(found: Fingerprint) -> str:
    """Return a fingerprint as text, without its device: a disk that was plugged in again has another number."""
    return f"{found.inode}:{found.size_bytes}:{found.modified_ns}:{found.changed_ns}"
