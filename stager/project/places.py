"""A project's folders as absolute paths, and which of them may not overlap."""

from collections.abc import Iterator
from dataclasses import dataclass
from os.path import realpath
from pathlib import Path
from typing import Final

from stager.errors import PlaceError
from stager.project.faults import Fault
from stager.project.settings import ProjectSettings

PROJECT_FILE: Final = "stager.toml"
"""The name of a project file in its folder."""

STATE_FOLDER: Final = ".stager"
"""The name of the folder beside the project file where this package keeps what it knows."""

FOLDER_KEYS: Final = ("inbox", "outbox", "takes")
"""The keys of `[project]` that name a folder."""


@dataclass(frozen=True)
class Places:
    """The folders of a project as absolute paths with all links followed; they need not exist."""

    inbox: Path
    outbox: Path
    takes: Path | None
    state: Path


def places_of(project: ProjectSettings, folder: Path) -> Places:
    """Return the folders that a project file in `folder` names."""
    return Places(
        inbox=_real(folder / project.inbox),
        outbox=_real(folder / project.outbox),
        takes=_real(folder / project.takes) if project.takes else None,
        state=_real(folder / STATE_FOLDER),
    )


def _real(path: Path) -> Path:
    """Return the path with all links resolved; `Path.resolve` raises at a circle of links up to Python 3.12."""
    return Path(realpath(path))


def place_faults(places: Places) -> Iterator[Fault]:
    """Yield a fault for each folder that would let a copy be taken for an original, or a take for a stem."""
    yield from _meeting("outbox", places.outbox, "inbox", places.inbox)
    if places.takes:
        yield from _meeting("takes", places.takes, "inbox", places.inbox)
        yield from _meeting("takes", places.takes, "outbox", places.outbox)
    named = {"inbox": places.inbox, "outbox": places.outbox, "takes": places.takes}
    for key, path in named.items():
        if path and is_within(path, places.state):
            says = f"expected a folder outside of {STATE_FOLDER}, which stager keeps for itself, found {path}"
            yield Fault(("project", key), f"project.{key}: {says}")


def check_apart(places: Places) -> None:
    """Check again, with links followed anew, that no folder of a project came to lie in another one.

    Raises:
        PlaceError: where one did since the project file was read.
    """
    takes = places.takes and _real(places.takes)
    for fault in place_faults(Places(_real(places.inbox), _real(places.outbox), takes, _real(places.state))):
        raise PlaceError(fault.says)


def _meeting(key: str, path: Path, other_key: str, other: Path) -> Iterator[Fault]:
    """Yield a fault where two folders are the same, or one lies inside the other."""
    is_inside, is_around = is_within(path, other), is_within(other, path)
    if not is_inside and not is_around:
        return
    found = "the same folder" if is_inside and is_around else "one inside it" if is_inside else "one that holds it"
    says = f"project.{key}: expected a folder apart from the {other_key}, found {found}: {path} and {other}"
    yield Fault(("project", key), says)


def is_within(path: Path, folder: Path) -> bool:
    """Return whether a path is this folder or lies inside it, also where two spellings name one folder on disk."""
    return any(_is_same(part, folder) for part in (path, *path.parents))


def _is_same(one: Path, other: Path) -> bool:
    try:
        return one == other or one.samefile(other)
    except OSError:
        return False
