"""The only hand that creates, renames, removes or syncs a file.

Nothing appears under its own name before it is whole: it is written as a draft beside its place, synced, checked by the
caller, and only then renamed. A draft that isn't published is removed; one that a killed process left is swept up at
the next start. Reading is here as well, for what differs between systems.
"""

import errno
import hashlib
import io
import os
import stat
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import wait
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from stager.errors import NameRefused, NoSpace, PlaceError, PlaceGone, PlaceRefused
from stager.model import Fingerprint
from stager.system.drafts import draft_name, is_leftover, is_of_run
from stager.system.prefetch import helper_threads
from stager.system.printable import shown

NO_SPACE: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
GONE: Final = (errno.ENOENT, errno.ENOTDIR, errno.ESTALE, errno.ENODEV)
REFUSED: Final = (errno.EACCES, errno.EPERM, errno.EROFS)
NOT_OURS_TO_READ: Final = (*GONE, errno.EACCES, errno.EPERM, errno.EISDIR, errno.ELOOP, errno.ENXIO, errno.ENAMETOOLONG)


@dataclass(frozen=True)
class Draft:
    """A file being written beside its place; made by `draft_in`, ended by one of `publish`, `replace` or `discard`."""

    path: Path
    file: BinaryIO

    def __reduce__(self) -> tuple[Callable[[Path], "Draft"], tuple[Path]]:
        """Return what another process needs to take over a sealed draft by its path; an open one can't be."""
        if not self.file.closed:
            raise TypeError(f"{self.path}: an open draft can't be pickled")
        return _sealed, (self.path,)

    @contextmanager
    def syncing(self) -> Iterator[None]:
        """Bring what was written so far to the disk while something else is done.

        Raises:
            PlaceError: at the end, where the disk failed.
        """
        with placing(self.path):
            self.file.flush()
            synced = helper_threads().submit(os.fsync, self.file.fileno())
        try:
            yield
        finally:
            wait([synced])
        with placing(self.path):
            synced.result()

    def seal(self) -> None:
        """Bring every byte to the disk and close the file."""
        with placing(self.path):
            self.file.flush()
            os.fsync(self.file.fileno())
            self.file.close()

    def discard(self) -> None:
        """Remove the draft; one that is gone already is no error."""
        with suppress(OSError):  # what can't be flushed on a full disk needs no flushing now
            self.file.close()
        with suppress(OSError):
            self.path.unlink(missing_ok=True)

    def publish(self, place: Path) -> None:
        """Move the sealed draft to its own name, where nothing has that name yet.

        On file systems without hard links the name is looked at just before it is taken; claiming it by an empty file
        would leave that file there where the process is killed in between.

        Raises:
            FileExistsError: where something has.
        """
        with placing(place):
            try:
                os.link(self.path, place)
            except OSError as error:
                if error.errno == errno.EEXIST or os.path.lexists(place):
                    raise FileExistsError(errno.EEXIST, "taken", str(place)) from error
                self.path.replace(place)
            else:
                self.path.unlink()

    def replace(self, place: Path) -> None:
        """Rename the sealed draft to its own name, replacing what has it."""
        with placing(place):
            self.path.replace(place)


def draft_in(folder: Path, below: Path | None = None) -> Draft:
    """Open a draft for a file of this folder, which is made where it is missing, as `make_folder` does.

    Raises:
        PlaceError: where the folder can't be written.
    """
    make_folder(folder, below)
    path = folder / draft_name()
    try:
        with placing(folder):
            return Draft(path, os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY, 0o666), "w+b"))
    except (KeyboardInterrupt, SystemExit):  # told to stop while the system made the file
        path.unlink(missing_ok=True)
        raise


@contextmanager
def discarded(draft: Draft) -> Iterator[Draft]:
    """Yield a draft, and remove it where an error ends the block."""
    try:
        yield draft
    except BaseException:
        draft.discard()
        raise


def sealed_draft(folder: Path, content: bytes, below: Path | None = None) -> Draft:
    """Write a draft of this content, brought to the disk; where that fails, none is left.

    Raises:
        PlaceError: where it can't be written.
    """
    with discarded(draft_in(folder, below)) as draft:
        with placing(draft.path):
            draft.file.write(content)
        draft.seal()
        return draft


def _sealed(path: Path) -> Draft:
    file = io.BytesIO()
    file.close()
    return Draft(path, file)


def write_whole(place: Path, content: bytes) -> None:
    """Write a small file of our own so that it is there whole or not at all; one of the same name is replaced."""
    _write(place, [content], Draft.replace)


def write_pieces(place: Path, pieces: Iterable[bytes]) -> None:
    """Write a file of our own as `write_whole` does, from pieces that need not be in memory together."""
    _write(place, pieces, Draft.replace)


def write_new(place: Path, content: bytes) -> None:
    """Write a small file where there is none yet.

    Raises:
        FileExistsError: where there is one.
    """
    _write(place, [content], Draft.publish)


def write_passing(place: Path, content: bytes) -> None:
    """Write a small file that can be made anew: whole or not at all, but a power cut may take it. Not synced."""
    draft = draft_in(place.parent)
    try:
        with placing(place):
            draft.file.write(content)
            draft.file.close()
        draft.replace(place)
    except BaseException:
        draft.discard()
        raise


def _write(place: Path, pieces: Iterable[bytes], put: Callable[[Draft, Path], None]) -> None:
    with written_draft(place, pieces) as draft:
        put(draft, place)
    sync_folder(place.parent)


@contextmanager
def written_draft(place: Path, pieces: Iterable[bytes], below: Path | None = None) -> Iterator[Draft]:
    """Yield a draft with this content, on the disk, beside the place that it is for; it is removed after an error."""
    with discarded(draft_in(place.parent, below)) as draft:
        with placing(place):
            draft.file.writelines(pieces)
        draft.seal()
        yield draft


def remove(path: Path) -> None:
    """Remove a file of our own; one that is gone already is no error."""
    with placing(path):
        path.unlink(missing_ok=True)


def is_folder(path: Path) -> bool:
    """Return whether a folder is there.

    Raises:
        PlaceRefused: where we may not look.
    """
    with placing(path, "read"):
        try:
            return stat.S_ISDIR(path.stat().st_mode)
        except (FileNotFoundError, NotADirectoryError):
            return False


def _make_under(top: Path, folder: Path) -> None:
    under = [part for part in reversed((folder, *folder.parents)) if part != top and part.is_relative_to(top)]
    if not under or not is_folder(top):
        raise PlaceGone(f"{shown(top)}: expected a folder, found none")
    for part in under:
        with placing(part):
            part.mkdir(exist_ok=True)
        sync_folder(part.parent)


def folder_identity(folder: Path) -> tuple[int, int] | None:
    """Return which folder lies under a name, or None: another one there is another folder, or another disk."""
    try:
        state = folder.stat()
    except OSError:
        return None
    return state.st_dev, state.st_ino


def make_folder(folder: Path, below: Path | None = None) -> None:
    """Make a folder and those above it, where they are missing; with `below`, only those under it.

    Raises:
        PlaceError: where one can't be made, or `below` is not there: its disk may be away, and is not to be replaced.
    """
    if is_folder(folder):
        return
    if below is not None:
        _make_under(below, folder)
        return
    missing = [above for above in (folder, *folder.parents) if not is_folder(above)]
    try:
        with placing(folder):
            folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise PlaceGone(f"{shown(folder)}: expected a folder, found a file of that name") from error
    for made in missing:
        sync_folder(made.parent)


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk, where the system can."""
    if sys.platform == "win32":
        return
    with placing(folder):
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def sweep_drafts(folder: Path, mark: str | None = None) -> int:
    """Remove what a killed process left below this folder, or all that a run wrote; return how many there were.

    Only under the project's lock.
    """
    count = 0
    for path in files_below(folder):
        if is_leftover(path.name) if mark is None else is_of_run(path.name, mark):
            remove(path)
            count += 1
    return count


def left_drafts(folder: Path) -> list[Draft]:
    """Return the drafts that a killed process left in this folder. Only under the project's lock."""
    with suppress(OSError):
        return [_sealed(path) for path in sorted(folder.iterdir()) if is_leftover(path.name)]
    return []


def files_below(folder: Path) -> Iterator[Path]:
    """Yield the files below a folder, links to files too, but for what lies in hidden folders or those we can't list.

    Without recursion: folders may be nested very deep.
    """
    folders = [os.fspath(folder)]
    while folders:
        with suppress(OSError), os.scandir(folders.pop()) as entries:
            for entry in entries:
                if not entry.is_dir(follow_symlinks=False):
                    yield Path(entry.path)
                elif not entry.name.startswith("."):
                    folders.append(entry.path)


@contextmanager
def placing(path: Path, doing: str = "write") -> Iterator[None]:
    """Translate what the system says about a place into one sentence; FileExistsError passes.

    Raises:
        NameRefused: where the name is too long for its folder.
        NoSpace: where the disk is full.
        PlaceGone: where the folder is not there.
        PlaceRefused: where we may not write.
        PlaceError: for all else.
    """
    try:
        yield
    except FileExistsError:
        raise
    except OSError as error:
        where, found = shown(path), error.strerror or str(error)
        if error.errno == errno.ENAMETOOLONG:
            raise NameRefused(
                "", f"{where}: expected a name that leaves room for a log beside it, found: {found}"
            ) from error
        if error.errno in NO_SPACE:
            raise NoSpace(f"{where}: expected room to {doing}, found: {found}") from error
        if error.errno in GONE:
            raise PlaceGone(f"{where}: expected a folder to {doing} in, found: {found}") from error
        if error.errno in REFUSED:
            raise PlaceRefused(f"{where}: expected permission to {doing}, found: {found}") from error
        raise PlaceError(f"{where}: expected to {doing} here, found: {found}") from error


def open_source(path: Path) -> int:
    """Open a file for reading and nothing else; a pipe does not make us wait. Raises OSError."""
    return os.open(path, os.O_RDONLY | _BINARY | CLOEXEC | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0))


def fingerprint(state: os.stat_result) -> Fingerprint:
    """Return what the system says a file is."""
    return Fingerprint(state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns, state.st_ctime_ns)


def fingerprint_if_there(path: Path) -> Fingerprint | None:
    """Return what the system says of the file under this name now; None where it can't be asked."""
    try:
        return fingerprint(path.stat())
    except OSError:
        return None


def sha256_of(path: Path) -> str | None:
    """Return the SHA-256 of a regular file, or None where there is none, or none that we may read.

    Raises:
        PlaceError: where the disk fails; what lies there is not known then.
    """
    with placing(path, "read"):
        try:
            with os.fdopen(open_source(path), "rb") as file:
                if stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                    return hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            if error.errno not in NOT_OURS_TO_READ:
                raise
    return None


def read_whole(path: Path) -> bytes | None:
    """Return the bytes of a small file of our own, or None where there is none or it can't be read."""
    with suppress(OSError), os.fdopen(open_source(path), "rb") as file:
        if stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            return file.read()
    return None


_BINARY: Final = getattr(os, "O_BINARY", 0)
CLOEXEC: Final = getattr(os, "O_CLOEXEC", 0)
