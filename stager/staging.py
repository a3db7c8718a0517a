"""One project being staged: what is due, and the order in which a copy and its sidecar take their places.

Replacing a copy: the intent goes into the ledger, the old sidecar away, the folder is synced, the copy is renamed into
place, then its sidecar, then the ledger is told. So where a sidecar lies, the copy beside it is the one it describes,
whenever the process or the power fails; the next start finds open intents and lets those stems be staged again.
"""

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Final

from stager.errors import NameRefused, PlaceGone, StemError
from stager.files import is_folder, locked, make_folder, remove, sha256_of, sweep_drafts, sync_folder, write_whole
from stager.inbox import check_inbox
from stager.ledger import Entry, Ledger, open_ledger
from stager.meters import Overview
from stager.model import Fingerprint, Refused, Sidecar, Staged
from stager.names import shown
from stager.outbox import CopyPlace, check_outbox, is_unaltered, sidecar_of, sidecar_place
from stager.pipeline import RULES_VERSION, Prepared, StemJob, Unchanged
from stager.project import Project

LEDGER: Final = "ledger.sqlite"
LOCK: Final = "lock"
OVERVIEWS: Final = "overviews"


class Staging:
    """A project under its lock, with its ledger; made by `staging`, used by one thread."""

    def __init__(self, project: Project, ledger: Ledger) -> None:
        self.project = project
        self._ledger = ledger

    def current(self, relative: str, fingerprint: Fingerprint | None) -> Staged | None:
        """Give the outcome of an earlier run, where neither stem nor settings changed and the copy is in place.

        `fingerprint` is the stem's now; None skips that comparison.
        """
        entry = self._ledger.entry(os.fsencode(relative))
        if entry is None or not self._is_in_force(entry):
            return None
        if fingerprint is not None and _as_text(fingerprint) != entry.fingerprint:
            return None
        sidecar = self._sidecar(entry)
        return Staged(sidecar, fresh=False) if sidecar else None

    def job(self, relative: str, *, again: bool = False) -> StemJob:
        """Give the work that a stem asks for; with `again`, even where its copy is up to date."""
        entry = self._ledger.entry(os.fsencode(relative))
        job = job_of(self.project, relative, entry)
        if entry is None or again or not self._is_in_force(entry) or self._sidecar(entry) is None:
            return job
        return replace(job, known_sha256=entry.source_sha256)

    def publish(self, job: StemJob, prepared: Prepared) -> Staged:
        """Put a copy and its sidecar in place.

        Raises:
            FileExistsError: where another file took the copy's name since; the drafts are gone, prepare it again.
            PlaceError: where the outbox fails; what was there before may be without its sidecar, never the reverse.
        """
        place, entry = prepared.place.path, self._intent(job, prepared)
        try:
            check_outbox(self.project, place.parent)
            _check_still_ours(prepared.place, job.path)
            self._ledger.write(entry)
            for stale in _stale_sidecars(prepared.place, job.stem):
                remove(stale)
            sync_folder(place.parent)
            (prepared.copy_draft.replace if os.path.lexists(place) else prepared.copy_draft.publish)(place)
            prepared.sidecar_draft.replace(sidecar_place(place))
            sync_folder(place.parent)
        except BaseException:
            prepared.discard()
            raise
        self._ledger.write(replace(entry, state="staged"))
        if prepared.overview:
            self._keep_overview(job, prepared.overview)
        return Staged(prepared.sidecar)

    def unchanged(self, job: StemJob, found: Unchanged) -> Staged | None:
        """Note that a stem's bytes are the known ones under another time stamp; None where its copy is gone since."""
        entry = self._ledger.entry(os.fsencode(job.relative))
        if entry is not None:
            self._ledger.write(replace(entry, fingerprint=_as_text(found.fingerprint)))
        return self.current(job.relative, found.fingerprint)

    def refuse(self, job: StemJob, error: StemError) -> Refused:
        """Note that a stem has no copy, or keeps the one of its last good version."""
        entry = self._ledger.entry(os.fsencode(job.relative)) or _blank(job)
        self._ledger.write(replace(entry, state="refused", refused=error.code, says=str(error), at=_now()))
        return refused(job, error)

    def _is_in_force(self, entry: Entry) -> bool:
        settings = self.project.settings_sha256_for(shown(os.fsdecode(entry.key)))
        return entry.state == "staged" and entry.rules == RULES_VERSION and entry.settings_sha256 == settings

    def _sidecar(self, entry: Entry) -> Sidecar | None:
        """The sidecar of an entry's copy, where both are in place and belong together."""
        copy = self.project.outbox / os.fsdecode(entry.copy_path)
        sidecar = sidecar_of(copy)
        if sidecar is None or sidecar.copy_ is None or sidecar.copy_.sha256 != entry.copy_sha256:
            return None
        return sidecar if is_unaltered(copy, entry.copy_sha256) else None

    def _intent(self, job: StemJob, prepared: Prepared) -> Entry:
        sidecar, made = prepared.sidecar, prepared.sidecar.copy_
        assert made is not None
        return replace(
            _blank(job),
            state="open",
            fingerprint=_as_text(prepared.fingerprint),
            source_sha256=sidecar.source.sha256,
            settings_sha256=sidecar.project.settings_sha256,
            version=sidecar.version,
            copy_path=os.fsencode(prepared.place.path.relative_to(self.project.outbox)),
            copy_sha256=made.sha256,
            former_sha256=prepared.place.replaces_sha256 or "",
        )

    def _keep_overview(self, job: StemJob, overview: Overview) -> None:
        pairs = [[[round(low, 5), round(high, 5)] for low, high in channel] for channel in overview.pairs.tolist()]
        content = {
            "schema": "stager/overview/1",
            "stem": job.stem,
            "stretch_frames": overview.stretch_frames,
            "channels": pairs,
        }
        place = self.project.state / OVERVIEWS / overview_name(os.fsencode(job.relative))
        write_whole(place, json.dumps(content, separators=(",", ":")).encode())


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


@contextmanager
def staging(project: Project) -> Iterator[Staging]:
    """Take the project's lock, open its ledger and sweep up what a killed process left.

    Raises:
        AlreadyWatched: where another process stages it.
        PlaceError: where a folder is missing or can't be used.
    """
    check_places(project)
    with locked(project.state / LOCK), open_ledger(project.state / LEDGER) as ledger:
        sweep_drafts(project.outbox)
        sweep_drafts(project.state)
        yield Staging(project, ledger)


def check_places(project: Project) -> None:
    """See that the inbox is there; make the outbox where it belongs into the project's own folder.

    Raises:
        PlaceError: where one of them is missing.
    """
    check_inbox(project)
    if is_folder(project.outbox):
        return
    if not project.outbox.is_relative_to(project.folder):
        raise PlaceGone(f"{shown(project.outbox)}: expected the outbox of {project.name}, found no such folder")
    make_folder(project.outbox)


def overview_name(key: bytes) -> str:
    """Give the file name of a stem's overview, from the bytes of its path below the inbox."""
    return f"{sha256(key).hexdigest()[:32]}.json"


def _check_still_ours(place: CopyPlace, original: Path) -> None:
    """See that the copy's name is as free, or as much ours, as when it was chosen.

    Raises:
        FileExistsError: where another file took it meanwhile.
        NameRefused: where the original lies under it, by a link of either kind.
    """
    if _is_same_file(place.path, original):
        raise NameRefused(f"{shown(place.path)}: expected a copy's name, found the original itself under it")
    if os.path.lexists(place.path) and (
        place.replaces_sha256 is None or sha256_of(place.path) != place.replaces_sha256
    ):
        raise FileExistsError(shown(place.path))


def _is_same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def _stale_sidecars(place: CopyPlace, stem: str) -> Iterator[Path]:
    """Sidecars of ours that describe no file any more once the copy is in place.

    That is the one of the copy's predecessor, and the one beside a copy that a person has altered since.
    """
    yield sidecar_place(place.path)
    for passed in place.passed_over:
        altered = sidecar_of(passed)
        if altered and altered.stem == stem:
            yield sidecar_place(passed)


def _blank(job: StemJob) -> Entry:
    return Entry(
        key=os.fsencode(job.relative),
        stem=job.stem,
        state="refused",
        fingerprint="",
        source_sha256="",
        settings_sha256="",
        rules=RULES_VERSION,
        version=0,
        copy_path=b"",
        copy_sha256="",
        former_sha256="",
        refused="",
        says="",
        at=_now(),
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def _as_text(fingerprint: Fingerprint) -> str:
    return ":".join(map(str, vars(fingerprint).values()))
