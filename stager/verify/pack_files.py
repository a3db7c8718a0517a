"""A pack on the disk, a folder or a ZIP file of one: its files, its log, and whether they are those of its sums."""

import hashlib
import os
import zipfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final, Protocol

from stager.model.pack import Pack, read_pack
from stager.system.files import placing
from stager.system.printable import shown

PACK_LOG: Final = "pack.json"
SUMS_NAME: Final = "sha256sums.txt"
ZIP_SUFFIX: Final = ".zip"


class PackFiles(Protocol):
    """The files of a pack, wherever they lie."""

    def names(self) -> list[str]:
        """Return the names of all that is in it, sorted; a folder's ends in a slash."""

    def open(self, name: str) -> AbstractContextManager[IO[bytes]]:
        """Open one of its files; raises OSError or KeyError where there is none of that name."""


@dataclass(frozen=True)
class PackFolder:
    """A pack that is a folder."""

    place: Path

    def names(self) -> list[str]:
        """Return the names of all that is in it, sorted; a folder's ends in a slash."""
        return sorted(f"{path.name}/" if path.is_dir() else path.name for path in self.place.iterdir())

    def open(self, name: str) -> IO[bytes]:
        """Open one of its files."""
        return (self.place / name).open("rb")


@dataclass(frozen=True)
class PackZip:
    """A pack that is a ZIP file, with one folder in it."""

    file: zipfile.ZipFile

    def names(self) -> list[str]:
        """Return the names of all that is in it, below its one folder, sorted."""
        return sorted(name.partition("/")[2] for name in self.file.namelist())

    def open(self, name: str) -> IO[bytes]:
        """Open one of its files."""
        top = self.file.namelist()[0].partition("/")[0]
        return self.file.open(f"{top}/{name}")


@contextmanager
def opened_pack(place: Path) -> Iterator[PackFiles | None]:
    """Yield the files of the folder or ZIP file under this name; None where there is neither.

    Raises:
        PlaceError: where it can't be read.
    """
    with placing(place, "read"):
        if place.is_dir():
            yield PackFolder(place)
        elif file := _zip_at(place):
            with file:
                yield PackZip(file)
        else:
            yield None


def _zip_at(place: Path) -> zipfile.ZipFile | None:
    """Open a ZIP file with something in it; None where there is none, or one that is damaged."""
    with suppress(zipfile.BadZipFile, FileNotFoundError, NotADirectoryError):
        file = zipfile.ZipFile(place)
        if file.namelist():
            return file
        file.close()
    return None


def log_of(files: PackFiles) -> Pack | None:
    """Return the log of a pack; None where there is none that can be read."""
    with suppress(OSError, KeyError, ValueError), files.open(PACK_LOG) as file:
        return read_pack(file.read())
    return None


def sums_of(files: PackFiles) -> dict[str, str]:
    """Return the SHA-256 of each file as its list of sums has it; nothing where there is no list."""
    with suppress(OSError, KeyError), files.open(SUMS_NAME) as file:
        lines = file.read().decode("utf-8", "replace").splitlines()
        return {name: found for found, _, name in (line.partition("  ") for line in lines)}
    return {}


def sum_differences(files: PackFiles) -> Iterator[str]:
    """Yield what in a pack is not as its list of sums says: changed, missing, or put there by somebody else."""
    sums = sums_of(files)
    if not sums:
        yield f"expected its list of sums, {SUMS_NAME}, found none"
        return
    names = set(files.names()) - {SUMS_NAME}
    yield from (f"{name}: expected it there by the list of sums, found nothing" for name in sorted(sums.keys() - names))
    yield from (f"{shown(name)}: it is not in the list of sums" for name in sorted(names - sums.keys()))
    for name in sorted(names & sums.keys()):
        if _hash_of(files, name) != sums[name]:
            yield f"{name}: its bytes are not those of the list of sums"


def _hash_of(files: PackFiles, name: str) -> str | None:
    with suppress(OSError, KeyError, zipfile.BadZipFile), files.open(name) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
    return None


def is_there(place: Path) -> bool:
    """Return whether anything has this name but an empty folder.

    Raises:
        PlaceError: where it can't be looked at.
    """
    with placing(place, "read"):
        return os.path.lexists(place) and not (place.is_dir() and not any(place.iterdir()))
