"""Lists the audio files of an inbox, or of a folder of takes."""

import errno
import os
import stat
from collections.abc import Container
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import Final

from stager.errors import PlaceGone
from stager.project import Project
from stager.project.patterns import is_hidden, matches_any
from stager.project.settings import AUDIO_PATTERNS
from stager.system.files import is_folder, placing
from stager.system.printable import shown

VANISHED: Final = (errno.ENOENT, errno.ENOTDIR)
SKIPPED: Final = (*VANISHED, errno.EACCES, errno.EPERM, errno.ENAMETOOLONG, errno.ELOOP)
"""What may be wrong with one folder in an inbox; anything else, such as a failing disk, concerns the whole inbox."""
LONGEST_PATH_BYTES: Final = 4096
"""Paths of this length and more can't be opened. Source: Linux, limits.h, PATH_MAX."""
MOST_SHOWN: Final = 120
"""Characters of a folder's path in a sentence."""


@dataclass(frozen=True)
class SkippedFolder:
    """A folder below the inbox that can't be listed; `below` is its path there, ending in a slash."""

    below: str
    reason: str

    @property
    def says(self) -> str:
        """The sentence for people."""
        return (
            f"{_shortened(self.below)}: expected to look into this folder, found: {self.reason}; stems in it are not "
            "staged, the rest is (to leave it out, name it in exclude)"
        )


@dataclass(frozen=True)
class Listing:
    """The names of the files of a folder, sorted, and which folders in it were skipped."""

    names: tuple[str, ...] = ()
    skipped: tuple[SkippedFolder, ...] = ()

    def may_hold(self) -> Container[str]:
        """Return what answers whether a name is listed, or lies in a skipped folder and so may still be there."""
        return _MayHold(frozenset(self.names), tuple(folder.below for folder in self.skipped))


@dataclass(frozen=True)
class _MayHold:
    names: frozenset[str]
    skipped: tuple[str, ...]

    def __contains__(self, name: object) -> bool:
        return name in self.names or (isinstance(name, str) and name.startswith(self.skipped))


def stems_in(project: Project) -> list[str]:
    """Return the paths of the stems below the inbox, undecoded bytes kept, sorted; symbolic links are not followed.

    Raises:
        PlaceGone: where the inbox is not there.
        PlaceRefused: where it can't be read; of a folder in it, `list_stems` says so.
    """
    return list(list_stems(project).names)


def list_stems(project: Project) -> Listing:
    """Return the stems below the inbox as `stems_in` does, and the folders there that can't be listed.

    Raises:
        PlaceGone: where the inbox is not there.
        PlaceRefused: where it can't be read.
    """
    check_inbox(project)
    return list_files(project, project.inbox)


def files_in(project: Project, folder: Path) -> list[str]:
    """Return the files below a folder whose names count, sorted; symbolic links are not followed.

    Raises:
        PlaceGone: where the folder is not there.
        PlaceRefused: where it can't be read.
    """
    return list(list_files(project, folder).names)


def list_files(project: Project, folder: Path) -> Listing:
    """Return the files below a folder whose names count, and the folders in it that can't be listed.

    A folder that the project excludes is not reported as skipped.

    Raises:
        PlaceGone: where the folder is not there.
        PlaceRefused: where it can't be read.
    """
    walk = _Walk(project, folder)
    while walk.folders:
        walk.list_next()
    return Listing(
        tuple(sorted(name for name in walk.names if project.includes(shown(name)))),
        tuple(sorted(walk.skipped.values(), key=lambda found: found.below)),
    )


def audio_files_below(folder: Path) -> list[str]:
    """Return the paths of all files below a folder whose names are those of audio files, sorted.

    Symbolic links are not followed; a folder that can't be listed is skipped.
    """
    found = []
    for at, folders, files in os.walk(folder):
        folders[:] = [name for name in folders if not is_hidden(name)]
        below = Path(at).relative_to(folder)
        found += [(below / name).as_posix() for name in files if not is_hidden(name) and _is_audio(name)]
    return sorted(found)


def _is_audio(name: str) -> bool:
    return matches_any(shown(name), AUDIO_PATTERNS)


def check_inbox(project: Project) -> None:
    """Check that the inbox exists.

    Raises:
        PlaceGone: where it does not.
        PlaceRefused: where it can't be looked at.
    """
    if not is_folder(project.inbox):
        raise PlaceGone(f"{shown(project.inbox)}: expected the inbox of {project.name}, found no such folder")


@dataclass
class _Walk:
    """The walk over a folder: `folders` are still to be listed. Without recursion: folders may be nested very deep."""

    project: Project
    root: Path
    folders: list[str] = field(default_factory=lambda: [""])
    names: list[str] = field(default_factory=list)
    skipped: dict[str, SkippedFolder] = field(default_factory=dict)

    def list_next(self) -> None:
        """List one folder; links and hidden entries don't count."""
        below = self.folders.pop()
        try:
            with os.scandir(self.root / below) as entries:
                for entry in entries:
                    if not entry.name.startswith((".", "~")):
                        self._add(entry, below)
        except OSError as error:
            if not below or error.errno not in SKIPPED:
                with placing(self.root / below, "read"):
                    raise
            self._skip(below, error.errno)

    def _add(self, entry: os.DirEntry[str], below: str) -> None:
        if entry.is_dir(follow_symlinks=False):
            self.folders.append(f"{below}{entry.name}/")
        elif entry.is_file(follow_symlinks=False):
            if len(os.fsencode(entry.path)) < LONGEST_PATH_BYTES:
                self.names.append(below + entry.name)
            elif self.project.includes(shown(below + entry.name)):
                self._skip(below, errno.ENAMETOOLONG)

    def _skip(self, below: str, number: int) -> None:
        """Record a folder that can't be listed, unless it is gone or the project excludes it."""
        if number not in VANISHED and not _is_excluded(self.project, below):
            reason = (
                "its path is longer than the system can open" if number == errno.ENAMETOOLONG else os.strerror(number)
            )
            self.skipped[below] = SkippedFolder(below, reason)


def _is_excluded(project: Project, below: str) -> bool:
    """Return whether the project excludes a folder, by its own path or by a pattern for all that lies in it."""
    patterns = project.settings.project.exclude
    return matches_any(shown(below[:-1]), patterns) or matches_any(shown(below) + "\0", patterns)


def _shortened(below: str) -> str:
    name = shown(below)
    return (
        name
        if len(name) <= MOST_SHOWN
        else f"{name[: MOST_SHOWN // 2]}\N{HORIZONTAL ELLIPSIS}{name[-MOST_SHOWN // 2 :]}"
    )


def is_stem(project: Project, relative: str) -> bool:
    """Return whether a stem of this name exists now: a regular file that counts, reached through no symbolic link."""
    return is_file_in(project, project.inbox, relative)


def is_file_in(project: Project, folder: Path, relative: str) -> bool:
    """Return whether `files_in` would list this name."""
    if not project.includes(shown(relative)):
        return False
    path = folder / relative
    try:
        is_file = stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False
    above = (folder / part for part in list(PurePath(relative).parents)[:-1])
    return is_file and not any(part.is_symlink() for part in above)


def takes_in(project: Project) -> list[str]:
    """Return the recordings below the folder of takes, in order of name; nothing where the project has none.

    Raises:
        PlaceError: where the folder can't be looked through.
    """
    return files_in(project, project.takes) if project.takes else []


def is_take(project: Project, relative: str) -> bool:
    """Return whether a recording has this name now."""
    return project.takes is not None and is_file_in(project, project.takes, relative)
