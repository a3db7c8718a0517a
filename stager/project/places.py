"""Where a project's folders are, and which of them may not meet."""

from collections.abc import Iterator
from dataclasses import dataclass
from os.path import realpath
from pathlib import Path
from typing import Final

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
    """Give the folders that a project file in `folder` names."""
    return Places(
        inbox=_real(folder / project.inbox),
        outbox=_real(folder / project.outbox),
        takes=_real(folder / project.takes) if project.takes else None,
        state=_real(folder / STATE_FOLDER),
    )


def _real(path: Path) -> Path:
    """Follow all links as far as they lead; `Path.resolve` raises at a circle of them, up to Python 3.12 alone."""
    return Path(realpath(path))


def place_faults(places: Places) -> Iterator[Fault]:
    """Give the folders that would let a copy be taken for an original, or a take for a stem."""
    yield from _meeting("outbox", places.outbox, "inbox", places.inbox)
    if places.takes:
        yield from _meeting("takes", places.takes, "inbox", places.inbox)
        yield from _meeting("takes", places.takes, "outbox", places.outbox)
    for key, path in (("inbox", places.inbox), ("outbox", places.outbox)):
        if is_within(path, places.state):
            says = f"expected a folder outside of {STATE_FOLDER}, which stager keeps for itself, found {path}"
            yield Fault(("project", key), f"project.{key}: {says}")


def _meeting(key: str, path: Path, other_key: str, other: Path) -> Iterator[Fault]:
    """Refuse two folders of which one is the other, lies inside it, or holds it."""
    is_inside, is_around = is_within(path, other), is_within(other, path)
    if not is_inside and not is_around:
        return
    found = "the same folder" if is_inside and is_around else "one inside it" if is_inside else "one that holds it"
    says = f"project.{key}: expected a folder apart from the {other_key}, found {found}: {path} and {other}"
    yield Fault(("project", key), says)


def is_within(path: Path, folder: Path) -> bool:
    """Say whether a path is a folder or lies inside it, also where two spellings lead to one folder on disk."""
    return any(_is_same(part, folder) for part in (path, *path.parents))


def _is_same(one: Path, other: Path) -> bool:
    try:
        return one == other or one.samefile(other)
    except OSError:
        return False
