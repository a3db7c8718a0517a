"""Finds project files below a folder."""

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final

from stager.project import PROJECT_FILE

DEEPEST: Final = 3
"""The most folders between a parent and its projects: artist, album, song."""


def project_files_below(parent: Path) -> list[Path]:
    """Return the project files in a folder and below it, in order; hidden folders and links are not entered."""
    return sorted(_found(parent, DEEPEST))


def _found(folder: Path, deeper: int) -> Iterator[Path]:
    with suppress(OSError):
        if (folder / PROJECT_FILE).is_file():
            yield folder / PROJECT_FILE
            return
    if deeper == 0:
        return
    with suppress(OSError), os.scandir(folder) as entries:
        below = [entry.name for entry in entries if entry.is_dir(follow_symlinks=False)]
        for name in below:
            if not name.startswith((".", "~")):
                yield from _found(folder / name, deeper - 1)
