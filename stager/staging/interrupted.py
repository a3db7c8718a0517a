"""Finishes copies whose publishing a kill interrupted, where the stem is no longer in the inbox to be staged again.

At that moment both drafts are whole and on the disk, so the copy and its sidecar are put in place from them. Where the
stem lies in the inbox, it is staged again instead.
"""

import os
from dataclasses import replace
from pathlib import Path
from typing import Final

from stager.model import read_sidecar
from stager.project import Project
from stager.staging.ledger import Entry, Ledger
from stager.staging.outbox import own_copy, sidecar_of, sidecar_place
from stager.system.files import Draft, left_drafts, read_whole, sha256_of, sync_folder

MOST_SIDECAR_BYTES: Final = 1 << 20


def finish_interrupted(project: Project, ledger: Ledger) -> None:
    """Put in place what was about to be, for stems that are no longer in the inbox; to be called before a sweep.

    Raises:
        PlaceError: where the outbox or the ledger fails.
    """
    for entry in ledger.entries():
        if entry.state == "open" and not os.path.lexists(project.inbox / os.fsdecode(entry.key)):
            copy = own_copy(project, entry.copy_path)
            if copy and _is_finished(copy, entry):
                ledger.write(replace(entry, state="staged", seen=""))


def _is_finished(copy: Path, entry: Entry) -> bool:
    """Finish a copy that is as the ledger knows it and has lost its sidecar; return whether that could be done."""
    found = None if copy.is_symlink() else sha256_of(copy)
    if found not in {entry.copy_sha256, entry.former_sha256} - {""} or os.path.lexists(sidecar_place(copy)):
        sidecar = sidecar_of(copy)
        described = sidecar.copy_.sha256 if sidecar and sidecar.copy_ else None
        return found == described == entry.copy_sha256
    drafts = left_drafts(copy.parent)
    sidecar_draft = next((draft for draft in drafts if _describes(draft, entry)), None)
    is_new = found == entry.copy_sha256
    copy_draft = None if is_new else next((one for one in drafts if sha256_of(one.path) == entry.copy_sha256), None)
    if sidecar_draft is None or not (is_new or copy_draft):
        return False
    if copy_draft:
        copy_draft.replace(copy)
        sync_folder(copy.parent)
    sidecar_draft.replace(sidecar_place(copy))
    sync_folder(copy.parent)
    return True


def _describes(draft: Draft, entry: Entry) -> bool:
    """Return whether a draft is the sidecar that was about to be put beside an entry's copy."""
    try:
        if draft.path.stat().st_size > MOST_SIDECAR_BYTES:
            return False
        sidecar = read_sidecar(read_whole(draft.path) or b"")
    except (OSError, ValueError):
        return False
    return sidecar.stem == entry.stem and sidecar.copy_ is not None and sidecar.copy_.sha256 == entry.copy_sha256
