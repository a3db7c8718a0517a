"""What lies in an inbox, or in a folder of takes: the truth that events only hint at."""

import os
import stat
from collections.abc import Iterator
from pathlib import Path, PurePath

from stager.errors import PlaceGone
from stager.files import is_folder, placing
from stager.names import shown
from stager.project import Project


def stems_in(project: Project) -> list[str]:
    """Give the stems below the inbox, as the system names them, in order of name; links are not followed.

    Raises:
        PlaceGone: where the inbox is not there.
        PlaceRefused: where it, or a folder in it, can't be read.
    """
    check_inbox(project)
    return files_in(project, project.inbox)


def files_in(project: Project, folder: Path) -> list[str]:
    """Give the files below a folder whose names count, in order of name; links are not followed.

    Raises:
        PlaceGone: where the folder is not there.
        PlaceRefused: where it, or a folder in it, can't be read.
    """
    return sorted(name for name in _files(folder, "") if project.includes(shown(name)))


def check_inbox(project: Project) -> None:
    """See that the inbox is there.

    Raises:
        PlaceGone: where it is not.
        PlaceRefused: where we may not look.
    """
    if not is_folder(project.inbox):
        raise PlaceGone(f"{shown(project.inbox)}: expected the inbox of {project.name}, found no such folder")


def _files(folder: Path, below: str) -> Iterator[str]:
    with placing(folder, "read"), os.scandir(folder) as entries:
        listed = list(entries)
    for entry in listed:
        if entry.name.startswith((".", "~")):
            continue
        if entry.is_dir(follow_symlinks=False):
            yield from _files(folder / entry.name, f"{below}{entry.name}/")
        elif entry.is_file(follow_symlinks=False):
            yield below + entry.name


def is_stem(project: Project, relative: str) -> bool:
    """Say whether a stem lies under this name now: a regular file that counts, reached through no link."""
    return is_file_in(project, project.inbox, relative)


def is_file_in(project: Project, folder: Path, relative: str) -> bool:
    """Say of one name what `files_in` says of all."""
    if not project.includes(shown(relative)):
        return False
    path = folder / relative
    try:
        is_file = stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False
    above = (folder / part for part in list(PurePath(relative).parents)[:-1])
    return is_file and not any(part.is_symlink() for part in above)
