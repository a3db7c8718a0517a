"""Stages one project: which stems are due, and the order in which copies and sidecars are renamed into place.

Replacing a copy: the intent goes into the ledger, the old sidecar away, the folder is synced, the copy is renamed into
place, the folder synced, its sidecar renamed into place, the folder synced, then the ledger is told. So where a sidecar
lies, the copy beside it is the one it describes, whenever the process or the power fails; the next start finds open
intents and lets those stems be staged again.
"""

import os
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Final

import numpy as np
from pydantic_core import to_json

from stager.errors import InternalError, PlaceGone, StemError, internal_errors
from stager.meters import Overview
from stager.model import Refused, Staged
from stager.project import Project
from stager.project.inbox import check_inbox
from stager.staging.interrupted import finish_interrupted
from stager.staging.ledger import LEDGER, LOCK, Entry, Ledger, open_ledger
from stager.staging.outbox import (
    check_outbox,
    check_still_free,
    outbox_elsewhere,
    own_copy,
    sidecar_of,
    sidecar_place,
    stale_sidecars,
)
from stager.staging.ownership import Owner, is_anothers, named_in
from stager.staging.prepare import RULES_VERSION, Prepared, Unchanged
from stager.staging.state import StagingState, as_text, refused
from stager.staging.stem import StemJob
from stager.system.error_log import log_traceback
from stager.system.files import (
    folder_identity,
    is_folder,
    make_folder,
    remove,
    sha256_of,
    sweep_drafts,
    sync_folder,
    write_passing,
)
from stager.system.locks import locked
from stager.system.printable import shown
from stager.system.version import VERSION

OVERVIEWS: Final = "overviews"
_Found = dict[int, Staged | FileExistsError | StemError]
"""What came of stems that are published together, by their numbers."""


class Staging(StagingState):
    """A project under its lock, with its ledger; made by `staging`, used by one thread."""

    def __init__(self, project: Project, ledger: Ledger) -> None:
        super().__init__(project, ledger)
        self.ledger = ledger
        self._outbox = folder_identity(project.outbox)

    def publish(self, job: StemJob, prepared: Prepared) -> Staged:
        """Put a copy and its sidecar in place; raises what `publish_all` gives for it, too."""
        (found,) = self.publish_all([(job, prepared)])
        if isinstance(found, Exception):
            raise found
        return found

    def publish_all(self, made: Sequence[tuple[StemJob, Prepared]]) -> list[Staged | FileExistsError | StemError]:
        """Put copies and their sidecars in place, each step for all of them, so that a disk is waited for once a step.

        Gives what came of each: `FileExistsError` where another file took the copy's name since, `NameRefused` where
        the original lies under it; the drafts of such a one are gone, prepare it again.

        Raises:
            PlaceError: where the outbox fails; what was there before may be without its sidecar, never the reverse.
        """
        found: _Found = {}
        entries: dict[int, Entry] = {}
        try:
            self._check_outbox_is_the_same()
            for number in range(len(made)):
                if not self._hindered(number, made, found, {made[other][1].place.path for other in entries}):
                    self._attempt(number, made, found, lambda *work, n=number: entries.update({n: self._intent(*work)}))
            self._record(entries, made, found)
            for step in (_remove_stale_sidecars, _place_copy, _place_sidecar):
                self._each([number for number in entries if number not in found], made, found, step)
        except BaseException:
            for _, prepared in made:
                prepared.discard()
            raise
        staged = {
            n: replace(entries[n], state="staged", seen=self.seen_now(entries[n])) for n in entries if n not in found
        }
        self._record(staged, made, found)
        for number in [number for number in staged if number not in found]:
            self._attempt(number, made, found, lambda *work, n=number: self._publish_rest(n, found, entries[n], *work))
        return [found[number] for number in range(len(made))]

    def _hindered(
        self, number: int, made: Sequence[tuple[StemJob, Prepared]], found: _Found, taken: Container[Path]
    ) -> bool:
        """See that a copy's name is still free, or ours, and none of those `taken` just now; notes what hinders it."""
        prepared = made[number][1]
        if prepared.place.path in taken:
            prepared.discard()
            found[number] = FileExistsError(shown(prepared.place.path))
            return True
        self._attempt(number, made, found, self._check_place)
        return number in found

    def _check_place(self, job: StemJob, prepared: Prepared) -> None:
        check_outbox(self.project, prepared.place.path.parent)
        check_still_free(prepared.place, job.path)

    def _attempt(
        self,
        number: int,
        made: Sequence[tuple[StemJob, Prepared]],
        found: _Found,
        step: Callable[[StemJob, Prepared], None],
    ) -> None:
        """Take one step for one stem; where it fails, that is what came of the stem."""
        try:
            with internal_errors(made[number][0].name, FileExistsError):
                step(*made[number])
        except (FileExistsError, StemError) as error:
            made[number][1].discard()
            found[number] = error

    def _record(self, entries: Mapping[int, Entry], made: Sequence[tuple[StemJob, Prepared]], found: _Found) -> None:
        """Write entries to the ledger, all at once; where an unexpected error hinders that, each by itself."""
        try:
            with internal_errors("the ledger"):
                self.ledger.write(*entries.values())
        except InternalError:
            for number, entry in entries.items():
                self._attempt(number, made, found, lambda *_, entry=entry: self.ledger.write(entry))

    def _each(
        self,
        numbers: Sequence[int],
        made: Sequence[tuple[StemJob, Prepared]],
        found: _Found,
        step: Callable[[StemJob, Prepared], None],
    ) -> None:
        """Take one step for all of them, and bring the names in their folders to the disk."""
        for number in numbers:
            self._attempt(number, made, found, step)
        for folder in sorted({made[number][1].place.path.parent for number in numbers}):
            sync_folder(folder)

    def _check_outbox_is_the_same(self) -> None:
        """See that no other folder, or the bare place of a disk that was unplugged, lies under the outbox's name.

        Raises:
            PlaceGone: where one does, or none.
        """
        if folder_identity(self.project.outbox) != self._outbox:
            raise PlaceGone(
                f"{shown(self.project.outbox)}: expected the outbox as it was, found another folder or none"
            )

    def _publish_rest(self, number: int, found: _Found, entry: Entry, job: StemJob, prepared: Prepared) -> None:
        """Do what may come after: the overview, and the copy under a former name."""
        if prepared.overview:
            self._keep_overview(job, prepared.overview)
        former = self.ledger.entry(entry.follows) if entry.follows else None
        if former:
            self._let_go(former)
        found[number] = Staged(prepared.sidecar, called_before=former.stem if former else None)

    def finish_renames(self) -> None:
        """Remove the copies that a killed process left under the names that their stems had before."""
        for entry in self.ledger.entries():
            former = self.ledger.entry(entry.follows) if entry.follows else None
            if former and entry.state == "staged":
                self._let_go(former)

    def note_gone(self, here: Container[str]) -> tuple[str, ...]:
        """Note which known stems are no longer in the inbox; return those of which that was not noted before."""
        listed = [(entry, int(os.fsdecode(entry.key) not in here)) for entry in self.ledger.entries()]
        changed = [replace(entry, gone=gone) for entry, gone in listed if gone != entry.gone]
        if changed:
            self.ledger.write(*changed)
        return tuple(entry.stem for entry in changed if entry.gone and entry.copy_sha256)

    def unchanged(self, job: StemJob, found: Unchanged) -> Staged | None:
        """Note that a stem's bytes are the known ones under another time stamp; None where its copy is gone since."""
        entry = self.ledger.entry(job.name.key)
        if entry is not None:
            self.ledger.write(replace(entry, fingerprint=as_text(found.fingerprint), seen=self.seen_now(entry)))
        return self.current(job.name.relative, found.fingerprint)

    def refuse(self, job: StemJob, error: StemError) -> Refused:
        """Note that a stem has no copy, or keeps the one of its last good version."""
        if isinstance(error, InternalError):
            log_traceback(self.project.state, job.name.printable, error.traceback, VERSION)
        try:
            with internal_errors(job.name):
                entry = self.ledger.entry(job.name.key) or _blank(job)
                self.ledger.write(replace(entry, state="refused", refused=error.code, says=error.says, at=_now()))
        except (
            InternalError
        ) as unexpected:  # the outcome stands; an entry that is missing or open asks for the stem again
            log_traceback(self.project.state, job.name.printable, unexpected.traceback, VERSION)
        return refused(job, error)

    def _called_before(self, job: StemJob, source_sha256: str) -> bytes:
        """The key of the stem that this one was until now: new under its name, its bytes gone under the former one."""
        known = self.ledger.entry(job.name.key)
        if known is not None and known.copy_sha256:
            return known.follows if known.state == "open" else b""
        alike = self.ledger.of_source(source_sha256)
        gone = (other for other in alike if not os.path.lexists(self.project.inbox / os.fsdecode(other.key)))
        return next((other.key for other in gone if other.state != "refused"), b"")

    def _let_go(self, former: Entry) -> None:
        """Remove copy and sidecar of a stem that has another name now; a copy that a person has altered stays."""
        copy = own_copy(self.project, former.copy_path)
        ours = {former.copy_sha256, former.former_sha256} - {""}
        sidecar = sidecar_of(copy) if copy else None
        is_foreign = copy is not None and is_anothers(self.project, copy.parent, named_in(sidecar))
        if copy and not is_foreign and (sidecar is None or sidecar.stem == former.stem):
            is_there = os.path.lexists(copy)
            if not is_there or (not copy.is_symlink() and sha256_of(copy) in ours):
                # the sidecar first: where one lies, its copy does
                gone = (*([sidecar_place(copy)] if sidecar else []), *([copy] if is_there else []))
                for path in (*gone, self.project.state / OVERVIEWS / overview_name(former.key)):
                    remove(path)
                if is_folder(copy.parent):
                    sync_folder(copy.parent)
        self.ledger.forget(former.key)

    def _intent(self, job: StemJob, prepared: Prepared) -> Entry:
        sidecar, made = prepared.sidecar, prepared.sidecar.copy_
        assert made is not None
        return replace(
            _blank(job),
            state="open",
            fingerprint=as_text(prepared.fingerprint),
            source_sha256=sidecar.source.sha256,
            settings_sha256=sidecar.project.settings_sha256,
            version=sidecar.version,
            copy_path=os.fsencode(prepared.place.path.relative_to(self.project.outbox)),
            copy_sha256=made.sha256,
            former_sha256=prepared.place.replaces_sha256 or "",
            follows=self._called_before(job, sidecar.source.sha256),
            member=prepared.member.model_dump_json() if prepared.member else "",
            linked=prepared.link_trim.model_dump_json() if prepared.link_trim else "",
        )

    def _keep_overview(self, job: StemJob, overview: Overview) -> None:
        content = {
            "schema": "stager/overview/1",
            "stem": job.name.printable,
            "stretch_frames": overview.stretch_frames,
            "channels": np.round(overview.pairs, 5).tolist(),
        }
        place = self.project.state / OVERVIEWS / overview_name(job.name.key)
        write_passing(place, to_json(content))


@contextmanager
def staging(project: Project) -> Iterator[Staging]:
    """Take the project's lock, open its ledger and sweep up what a killed process left.

    Raises:
        AlreadyWatched: where another process stages it.
        PlaceError: where a folder is missing or can't be used.
    """
    check_places(project)
    with locked(project.state / LOCK), open_ledger(project.state / LEDGER) as ledger:
        finish_interrupted(project, ledger)
        sweep_drafts(project.outbox)
        sweep_drafts(project.state)
        held = Staging(project, ledger)
        held.finish_renames()
        yield held


def _remove_stale_sidecars(job: StemJob, prepared: Prepared) -> None:
    for stale in stale_sidecars(prepared.place, Owner(job.project, job.name.printable, job.own_sha256s)):
        remove(stale)


def _place_copy(_job: StemJob, prepared: Prepared) -> None:
    place, draft = prepared.place, prepared.copy_draft
    is_there = place.replaces_sha256 is not None and os.path.lexists(place.path)
    (draft.replace if is_there else draft.publish)(place.path)


def _place_sidecar(_job: StemJob, prepared: Prepared) -> None:
    prepared.sidecar_draft.replace(sidecar_place(prepared.place.path))


def check_places(project: Project) -> None:
    """See that the inbox is there; make the outbox where it belongs into the project's own folder.

    Raises:
        PlaceError: where one of them is missing.
    """
    check_inbox(project)
    if is_folder(project.outbox):
        return
    if outbox_elsewhere(project):
        raise PlaceGone(f"{shown(project.outbox)}: expected the outbox of {project.name}, found no such folder")
    make_folder(project.outbox)


def overview_name(key: bytes) -> str:
    """Return the file name of a stem's overview, from the bytes of its path below the inbox."""
    return f"{sha256(key).hexdigest()[:32]}.json"


def _blank(job: StemJob) -> Entry:
    return Entry(
        key=job.name.key,
        stem=job.name.printable,
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
