"""One project being staged: what is due, and the order in which copies and their sidecars take their places.

Replacing a copy: the intent goes into the ledger, the old sidecar away, the folder is synced, the copy is renamed into
place, the folder synced, its sidecar renamed into place, the folder synced, then the ledger is told. So where a sidecar
lies, the copy beside it is the one it describes, whenever the process or the power fails; the next start finds open
intents and lets those stems be staged again.
"""

import os
from collections.abc import Callable, Container, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Final

import numpy as np
from pydantic_core import to_json

from stager.errors import NameRefused, PlaceGone, StemError
from stager.files import (
    folder_identity,
    is_folder,
    make_folder,
    remove,
    sha256_of,
    sweep_drafts,
    sync_folder,
    write_passing,
)
from stager.inbox import check_inbox
from stager.ledger import Entry, Ledger, open_ledger
from stager.locks import locked
from stager.meters import Overview
from stager.model import Refused, Staged
from stager.names import shown
from stager.outbox import check_outbox, check_still_free, sidecar_place, stale_sidecars
from stager.pipeline import RULES_VERSION, Prepared, StemJob, Unchanged
from stager.project import Project
from stager.standing import Standing, as_text, refused

LEDGER: Final = "ledger.sqlite"
LOCK: Final = "lock"
OVERVIEWS: Final = "overviews"


class Staging(Standing):
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
        found: dict[int, Staged | FileExistsError | StemError] = {}
        try:
            self._check_outbox_is_the_same()
            ready: list[int] = []
            for number in range(len(made)):
                if not self._hindered(number, made, found, {made[other][1].place.path for other in ready}):
                    ready.append(number)
            entries = {number: self._intent(*made[number]) for number in ready}
            self.ledger.write(*entries.values())
            self._each(ready, made, found, _remove_stale_sidecars)
            self._each(ready, made, found, _place_copy)
            self._each([number for number in ready if number not in found], made, found, _place_sidecar)
        except BaseException:
            for _, prepared in made:
                prepared.discard()
            raise
        done = [number for number in ready if number not in found]
        self.ledger.write(*(replace(entries[n], state="staged", seen=self.seen_now(entries[n])) for n in done))
        return [found[n] if n in found else self._published(*made[n], entries[n]) for n in range(len(made))]

    def _hindered(
        self,
        number: int,
        made: Sequence[tuple[StemJob, Prepared]],
        found: dict[int, Staged | FileExistsError | StemError],
        taken: Container[Path],
    ) -> bool:
        """See that a copy's name is still free, or ours, and none of those `taken` just now; notes what hinders it."""
        job, prepared = made[number]
        if prepared.place.path in taken:
            prepared.discard()
            found[number] = FileExistsError(shown(prepared.place.path))
            return True
        try:
            check_outbox(self.project, prepared.place.path.parent)
            check_still_free(prepared.place, job.path)
        except (FileExistsError, NameRefused) as error:
            prepared.discard()
            found[number] = error
        return number in found

    def _each(
        self,
        numbers: Sequence[int],
        made: Sequence[tuple[StemJob, Prepared]],
        found: dict[int, Staged | FileExistsError | StemError],
        step: Callable[[StemJob, Prepared], None],
    ) -> None:
        """Take one step for all of them, and bring the names in their folders to the disk."""
        for number in numbers:
            try:
                step(*made[number])
            except FileExistsError as error:
                made[number][1].discard()
                found[number] = error
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

    def _published(self, job: StemJob, prepared: Prepared, entry: Entry) -> Staged:
        """Do what may come after: the overview, and the copy under a former name."""
        if prepared.overview:
            self._keep_overview(job, prepared.overview)
        former = self.ledger.entry(entry.follows) if entry.follows else None
        if former:
            self._let_go(former)
        return Staged(prepared.sidecar, called_before=former.stem if former else None)

    def finish_renames(self) -> None:
        """Let go of the copies that a killed process left under the names that their stems had before."""
        for entry in self.ledger.entries():
            former = self.ledger.entry(entry.follows) if entry.follows else None
            if former and entry.state == "staged":
                self._let_go(former)

    def note_gone(self, here: Container[str]) -> tuple[str, ...]:
        """Note which known stems are no longer in the inbox; gives those of which that was not noted before."""
        listed = [(entry, int(os.fsdecode(entry.key) not in here)) for entry in self.ledger.entries()]
        changed = [replace(entry, gone=gone) for entry, gone in listed if gone != entry.gone]
        if changed:
            self.ledger.write(*changed)
        return tuple(entry.stem for entry in changed if entry.gone and entry.copy_sha256)

    def unchanged(self, job: StemJob, found: Unchanged) -> Staged | None:
        """Note that a stem's bytes are the known ones under another time stamp; None where its copy is gone since."""
        entry = self.ledger.entry(os.fsencode(job.relative))
        if entry is not None:
            self.ledger.write(replace(entry, fingerprint=as_text(found.fingerprint), seen=self.seen_now(entry)))
        return self.current(job.relative, found.fingerprint)

    def refuse(self, job: StemJob, error: StemError) -> Refused:
        """Note that a stem has no copy, or keeps the one of its last good version."""
        entry = self.ledger.entry(os.fsencode(job.relative)) or _blank(job)
        self.ledger.write(replace(entry, state="refused", refused=error.code, says=str(error), at=_now()))
        return refused(job, error)

    def _called_before(self, job: StemJob, source_sha256: str) -> bytes:
        """The key of the stem that this one was until now: new under its name, its bytes gone under the former one."""
        known = self.ledger.entry(os.fsencode(job.relative))
        if known is not None and known.copy_sha256:
            return known.follows if known.state == "open" else b""
        alike = self.ledger.of_source(source_sha256)
        gone = (other for other in alike if not os.path.lexists(self.project.inbox / os.fsdecode(other.key)))
        return next((other.key for other in gone if other.state == "staged"), b"")

    def _let_go(self, former: Entry) -> None:
        """Remove copy and sidecar of a stem that has another name now; a copy that a person has altered stays."""
        copy = self.project.outbox / os.fsdecode(former.copy_path)
        if not os.path.lexists(copy) or (not copy.is_symlink() and sha256_of(copy) == former.copy_sha256):
            # the sidecar first: where one lies, its copy does
            for path in (sidecar_place(copy), copy, self.project.state / OVERVIEWS / overview_name(former.key)):
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
            "stem": job.stem,
            "stretch_frames": overview.stretch_frames,
            "channels": np.round(overview.pairs, 5).tolist(),
        }
        place = self.project.state / OVERVIEWS / overview_name(os.fsencode(job.relative))
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
        sweep_drafts(project.outbox)
        sweep_drafts(project.state)
        held = Staging(project, ledger)
        held.finish_renames()
        yield held


def _remove_stale_sidecars(job: StemJob, prepared: Prepared) -> None:
    for stale in stale_sidecars(prepared.place, job.stem):
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
    if not project.outbox.is_relative_to(project.folder):
        raise PlaceGone(f"{shown(project.outbox)}: expected the outbox of {project.name}, found no such folder")
    make_folder(project.outbox)


def overview_name(key: bytes) -> str:
    """Give the file name of a stem's overview, from the bytes of its path below the inbox."""
    return f"{sha256(key).hexdigest()[:32]}.json"


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
