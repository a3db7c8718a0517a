"""Where a pack may go, and how it gets there: nothing of a person's is replaced."""

import zipfile
from pathlib import Path
from typing import Final

from stager.errors import PackRefused
from stager.project import Project
from stager.project.places import is_within
from stager.system.files import discarded, draft_in, placing, sync_folder
from stager.system.folders import publish_folder, replace_folder, sweep_draft_folders
from stager.system.printable import shown
from stager.verify.pack_files import is_there, opened_pack, sum_differences

USUAL_NAME: Final = "pack"


def check_place(project: Project, place: Path, *, replace: bool) -> None:
    """See that a pack may have this place, and remove what killed processes left beside it.

    Raises:
        PackRefused: where it lies in a folder of the project's audio, or something is there that is not to be replaced.
        PlaceError: where it can't be read.
    """
    for folder in (project.inbox, project.outbox, project.takes, project.state):
        if folder and (is_within(place, folder) or is_within(folder, place)):
            found = f"found {shown(place)}, which is {shown(folder)}, in it, or around it"
            raise PackRefused(f"expected a place apart from the project's folders, {found}")
    _check_free(place, replace=replace)
    sweep_draft_folders(place.parent)


def put_folder(folder: Path, place: Path, *, replace: bool) -> None:
    """Rename the finished folder to its place.

    Raises:
        PackRefused: where something took that place meanwhile.
        PlaceError: where it can't be done.
    """
    _check_free(place, replace=replace)
    if is_there(place):
        replace_folder(folder, place)
        return
    try:
        publish_folder(folder, place)
    except FileExistsError as error:
        raise _taken(place) from error


def put_zip(folder: Path, place: Path, *, replace: bool) -> None:
    """Write the finished folder as one ZIP file, its audio uncompressed, and rename that to its place.

    Raises:
        PackRefused: where something took that place meanwhile.
        PlaceError: where it can't be done.
    """
    top = place.stem
    with discarded(draft_in(place.parent)) as draft:
        with placing(draft.path), zipfile.ZipFile(draft.file, "w", zipfile.ZIP_STORED) as packed:
            for path in sorted(folder.iterdir()):
                packed.write(path, f"{top}/{path.name}")
        draft.seal()
        _check_free(place, replace=replace)
        if is_there(place):
            draft.replace(place)
        else:
            try:
                draft.publish(place)
            except FileExistsError as error:
                raise _taken(place) from error
    sync_folder(place.parent)


def _check_free(place: Path, *, replace: bool) -> None:
    if not is_there(place):
        return
    if not replace:
        raise _taken(place)
    with opened_pack(place) as files:
        if place.is_symlink() or files is None:
            raise PackRefused(f"{shown(place)}: expected an earlier pack to replace, found something else; it stays")
        for says in sum_differences(files):
            raise PackRefused(
                f"{shown(place)}: expected a pack that nobody changed, found: {says}; it stays, move it away first"
            )


def _taken(place: Path) -> PackRefused:
    return PackRefused(
        f"{shown(place)}: expected a name that is free, found something there; another DIR, or --replace for an "
        "earlier pack"
    )
