"""Tables, page and notes in the outbox: those that stager wrote are replaced, a person's stay and ours go beside them.

A file is ours where `.stager/reports.json` has its SHA-256 under its name. A mark inside the file would prove nothing:
an edited report has it as well. The hash is recorded before the file gets its name, and beside the one of the file that
it replaces, so whenever the process is killed, what lies there is known. Without a record nothing is ours.
"""

import json
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from stager.errors import PlaceError, PlaceRefused
from stager.project import Project
from stager.staging.outbox import numbered_names, outbox_elsewhere
from stager.staging.ownership import is_anothers, project_file_from
from stager.system.files import Draft, placing, remove, sha256_of, sync_folder, write_whole, written_draft
from stager.system.locks import in_turn
from stager.system.printable import shown

RECORD_NAME: Final = "reports.json"
LOCK_NAME: Final = "reports.lock"
RECORD_SCHEMA: Final = "stager/reports/1"
MOST_TRIES: Final = 100
"""So often may others take a name between looking at it and taking it."""


@dataclass(frozen=True)
class Document:
    """A file that was written into the outbox; `instead_of` is the one of a person that has its usual name."""

    path: Path
    instead_of: Path | None

    @property
    def says(self) -> str | None:
        """What to say of a name that was not to be had, or None."""
        if self.instead_of is None:
            return None
        theirs = shown(self.instead_of.name)
        return (
            f"{theirs} stays as it is: stager did not write it for this project (it is yours, or another project's), "
            f"or it was changed since. The new one is {shown(self.path.name)}; rename yours, and the next is {theirs}."
        )


def write_document(project: Project, name: str, pieces: Iterable[bytes]) -> Document:
    """Write a file into the outbox, whole or not at all, in place of ours of this name or beside anyone else's.

    Raises:
        PlaceError: where the outbox or the record can't be written.
    """
    if project.outbox.resolve() != project.outbox:
        found = f"found a link to {shown(project.outbox.resolve())}"
        raise PlaceRefused(f"{shown(project.outbox)}: expected the outbox, {found}")
    usual = project.outbox / name
    with written_draft(usual, pieces, outbox_elsewhere(project)) as draft, in_turn(project.state / LOCK_NAME):
        record = _Record(project)
        path = _place(draft, usual, record)
        sync_folder(path.parent)
        _remove_former(usual, path, record)
    return Document(path, None if path == usual else usual)


def documents(project: Project, names: Iterable[str]) -> list[Document]:
    """Return where those of these files lie that were written before."""
    record = _Record(project)
    usual = (project.outbox / name for name in names)
    found = ((name, next(iter(record.places_of(name)), None)) for name in usual)
    return [Document(path, None if path == name else name) for name, path in found if path]


class _Record:
    """Which hashes the files of each name may have that are ours."""

    def __init__(self, project: Project) -> None:
        self._place = project.state / RECORD_NAME
        self._project_file = project_file_from(project, project.outbox)
        self._known = _known(project, _content(self._place))

    def has(self, path: Path, sha256: str) -> bool:
        """Return whether a file of this name and hash is ours."""
        return sha256 in self._known.get(path.name, ())

    def note(self, path: Path, *sha256s: str) -> None:
        """Record the hashes that a file of ours may have from now on, none for a name that is not ours any more."""
        known = {name: found for name, found in self._known.items() if name != path.name}
        known |= {path.name: list(dict.fromkeys(sha256s))} if sha256s else {}
        if known != self._known:
            content = {"schema": RECORD_SCHEMA, "project": self._project_file, "files": known}
            write_whole(self._place, (json.dumps(content, indent=1, sort_keys=True) + "\n").encode())
        self._known = known

    def places_of(self, usual: Path) -> list[Path]:
        """Return the names of this file, the usual one and those beside it, that have a hash."""
        return [path for path in numbered_names(usual) if path.name in self._known]


def _content(place: Path) -> bytes:
    """Return what a file holds, nothing where there is none.

    Raises:
        PlaceError: where it can't be read; which files are ours is not known then.
    """
    with placing(place, "read"):
        try:
            return place.read_bytes()
        except FileNotFoundError:
            return b""


def _known(project: Project, content: bytes) -> dict[str, list[str]]:
    """Return the hashes by name from the file's content; what can't be read as such is not known.

    Nothing is known from a record that came along when another project's folder was copied.
    """
    try:
        record = json.loads(content)
        files, named = record["files"].items(), record.get("project")
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return {}
    if isinstance(named, str) and is_anothers(project, project.outbox, named):
        return {}
    return {name: [each for each in found if isinstance(each, str)] for name, found in files if isinstance(found, list)}


def _place(draft: Draft, usual: Path, record: _Record) -> Path:
    """Rename a sealed draft to the first path that is free or ours, and return that."""
    made = sha256_of(draft.path)
    if made is None:
        raise PlaceError(f"{shown(draft.path)}: expected the draft of {shown(usual.name)}, found it gone")
    for _ in range(MOST_TRIES):
        path, found = _free_or_ours(usual, made, record)
        record.note(path, *([found] if found else []), made)
        if _is_placed(draft, path, found):
            return path
    raise PlaceError(f"{shown(usual)}: expected a name that stays free, found others that take each one")


def _free_or_ours(usual: Path, made: str, record: _Record) -> tuple[Path, str | None]:
    """Return the first name that nothing has, or one of ours with its hash; equal bytes count as ours."""
    for path in numbered_names(usual):
        if not os.path.lexists(path):
            return path, None
        found = _hash_of_file(path)
        if found and (found == made or record.has(path, found)):
            return path, found
    raise PlaceError(f"{shown(usual)}: expected a free name, found files of others under all that are tried")


def _hash_of_file(path: Path) -> str | None:
    """Return the hash of a regular file that can be read, None of a link to one as well: a link is a person's."""
    return None if path.is_symlink() else sha256_of(path)


def _is_placed(draft: Draft, path: Path, found: str | None) -> bool:
    """Rename a draft to this path, and return whether it was still as when it was looked at."""
    if found is None:
        try:
            draft.publish(path)
        except FileExistsError:
            return False
        return True
    if _hash_of_file(path) != found:
        return False
    draft.replace(path)
    return True


def _remove_former(usual: Path, path: Path, record: _Record) -> None:
    """Remove what we wrote under other names of this file before; what a person changed since is theirs from now on."""
    for former in record.places_of(usual):
        if former != path:
            found = _hash_of_file(former)
            if found and record.has(former, found):
                remove(former)
            record.note(former)
