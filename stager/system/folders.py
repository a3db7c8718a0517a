"""Folders that appear whole or not at all: written under a draft's name beside their place, synced, renamed.

A killed process leaves at most a folder under a draft's name, which the next one that writes there removes.
"""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from stager.system.drafts import draft_name, is_leftover
from stager.system.files import make_folder, placing, sync_folder


@contextmanager
def draft_folder(parent: Path) -> Iterator[Path]:
    """Yield a new empty folder under a draft's name in `parent`, which is made where it is missing; gone at the end.

    Raises:
        PlaceError: where `parent` can't be written.
    """
    make_folder(parent)
    folder = parent / draft_name()
    with placing(folder):
        folder.mkdir()
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def publish_folder(draft: Path, place: Path) -> None:
    """Rename a draft folder, whose files are on the disk, to its own name, where nothing is, or an empty folder.

    Raises:
        FileExistsError: where something else has that name.
        PlaceError: where it can't be done.
    """
    sync_folder(draft)
    with placing(place):
        if os.path.lexists(place):
            with suppress(OSError):  # what is not an empty folder stays
                place.rmdir()
        if os.path.lexists(place):
            raise FileExistsError(f"{place}: taken")
        draft.rename(place)
    sync_folder(place.parent)


def replace_folder(draft: Path, place: Path) -> None:
    """Rename a draft folder to its own name and remove the folder that had it; after an error that one is back.

    Raises:
        PlaceError: where it can't be done.
    """
    sync_folder(draft)
    aside = place.with_name(draft_name())
    with placing(place):
        place.rename(aside)
        try:
            draft.rename(place)
        except BaseException:
            aside.rename(place)
            raise
    sync_folder(place.parent)
    shutil.rmtree(aside, ignore_errors=True)


def sweep_draft_folders(parent: Path) -> int:
    """Remove the folders and files under drafts' names that killed processes left in this one; return their number."""
    count = 0
    with suppress(OSError):
        for path in sorted(parent.iterdir()):
            if not is_leftover(path.name) or path.is_symlink():
                continue
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)
            count += 1
    return count
