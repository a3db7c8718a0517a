"""What a sidecar says of itself: which ones there are, where its original lies, and what in it can't be so."""

import json
import os
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Final

from stager.model import Sidecar
from stager.project import Project
from stager.staging.ledger import Entry
from stager.staging.outbox import listed_copies, sidecar_of, sidecar_place
from stager.staging.ownership import is_anothers, named_in
from stager.system.files import read_whole
from stager.system.printable import shown

MOST_BOOST_DB: Final = 60.01
"""A project file allows 60 dB (`max_boost_db`); the rest is grace for the rounding to steps."""
SCHEMA_PREFIX: Final = "stager/sidecar/"


def described_in(project: Project) -> Iterator[Path]:
    """Yield the copies that the sidecars in the outbox belong to, those of damaged sidecars too.

    Those of another project that is there, and shares the outbox, are for that one to prove.
    """
    for copy in listed_copies(project.outbox):
        sidecar = sidecar_of(copy)
        if sidecar is not None and is_anothers(project, copy.parent, named_in(sidecar)):
            continue
        if sidecar is not None or (copy.is_file() and _was_ours(sidecar_place(copy))):
            yield copy


def _was_ours(place: Path) -> bool:
    """Whether a file that can't be read as a sidecar was one: it says so, or is no JSON at all."""
    try:
        content = json.loads(read_whole(place) or b"")
    except (ValueError, RecursionError):
        return True
    return isinstance(content, dict) and str(content.get("schema")).startswith(SCHEMA_PREFIX)


def without_sidecar(copy: Path, entry: Entry | None) -> str:
    """Return what is missing of a copy that has no sidecar, or one that can't be read, and what will mend it."""
    if os.path.lexists(sidecar_place(copy)):
        lacks = "its sidecar can't be read as one: edited or damaged since"
    else:
        lacks = "its sidecar is missing" if os.path.lexists(copy) else "its sidecar is missing, and so is its copy"
    mends = entry is not None and entry.state != "refused"
    return f"{shown(copy.name)}: {lacks}{'; `stager stage` will write both anew' if mends else ''}"


def original_of(project: Project, sidecar: Sidecar, entry: Entry | None) -> Path | None:
    """Return the place of a copy's original, by the ledger or else by its sidecar; None where that names no path."""
    if entry is not None:
        return project.inbox / os.fsdecode(entry.key)
    raw = _bytes_of(sidecar.source.path_bytes) if sidecar.source.path_bytes else sidecar.source.path.encode()
    return None if not raw or b"\0" in raw else project.folder / os.fsdecode(raw)


def staged_at_s(sidecar: Sidecar) -> float | None:
    """Return when a copy was staged, in seconds since 1970; None where its sidecar says no date."""
    try:
        return datetime.fromisoformat(sidecar.staged_at).timestamp()
    except (ValueError, OverflowError, OSError):
        return None


def impossible_claims(sidecar: Sidecar) -> Iterator[str]:
    """Yield what a sidecar claims that stager never writes."""
    if staged_at_s(sidecar) is None:
        yield f"its sidecar says staged_at = {sidecar.staged_at!r}, which is no date"
    if sidecar.source.path_bytes and _bytes_of(sidecar.source.path_bytes) is None:
        yield f"its sidecar says path_bytes = {sidecar.source.path_bytes!r}, which is no hex"
    if not is_possible_gain(sidecar):
        yield f"its sidecar says gain_db = {sidecar.trim.gain_db:g}, more than any trim may raise"


def is_possible_gain(sidecar: Sidecar) -> bool:
    """Return whether a trim can be what this sidecar says."""
    return sidecar.trim.gain_db <= MOST_BOOST_DB


def _bytes_of(text: str) -> bytes | None:
    try:
        return bytes.fromhex(text)
    except ValueError:
        return None
