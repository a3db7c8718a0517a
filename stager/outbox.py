"""Where a copy goes: under its own name, or, where a person's file has that name, beside it."""

import os
import stat
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from unicodedata import normalize

from stager.errors import NameRefused
from stager.files import read_whole, sha256_of
from stager.model import Sidecar, StreamInfo, read_sidecar
from stager.names import shown
from stager.project import Project

LONGEST_NAME_BYTES: Final = 255
SIDECAR_SUFFIX: Final = ".json"
MOST_PLACES: Final = 1000
OWN_NAMES: Final = ("report.json", "report.csv", "report.html", "notes.md")
"""What lies in the outbox beside copies."""


@dataclass(frozen=True)
class CopyPlace:
    """Where a copy goes.

    `instead_of` is the file of a person that it leaves alone, `replaces_sha256` a former copy of ours that it replaces;
    `passed_over` are all the names that others have.
    """

    path: Path
    instead_of: Path | None
    replaces_sha256: str | None
    passed_over: tuple[Path, ...] = field(default=(), compare=False)


def sidecar_place(copy_path: Path) -> Path:
    """Give the place of a copy's sidecar: the copy's name with `.json` behind it."""
    return copy_path.with_name(copy_path.name + SIDECAR_SUFFIX)


def sidecar_of(copy_path: Path) -> Sidecar | None:
    """Read the sidecar beside a copy; None where there is none that can be read."""
    text = read_whole(sidecar_place(copy_path))
    if text is None:
        return None
    try:
        return read_sidecar(text)
    except ValueError:
        return None


def is_unaltered(copy: Path, copy_sha256: str) -> bool:
    """Say whether a copy is there as it was written; its bytes are read only where it is newer than its sidecar."""
    try:
        found, logged_ns = copy.lstat(), sidecar_place(copy).stat().st_mtime_ns
    except OSError:
        return False
    changed_ns = found.st_mtime_ns
    if not stat.S_ISREG(found.st_mode):
        return False
    return changed_ns <= logged_ns or sha256_of(copy) == copy_sha256


class Claims:
    """Which stems ask for which name of a copy; capitals and the writing of an accent make no difference.

    Two copies that differ in capitals alone are one file on many systems, so neither is written.
    """

    def __init__(self, project: Project, names: Iterable[str] = ()) -> None:
        self._project = project
        self._stems: dict[str, list[str]] = {}
        for relative in names:
            self.add(relative)

    def add(self, relative: str) -> None:
        """Take in a stem; one that is known already is no error."""
        group = self._stems.setdefault(self._name(relative), [])
        if relative not in group:
            group.append(relative)

    def says(self, relative: str) -> str | None:
        """Say why a stem's copy can't have its name, or give None."""
        name = self._name(relative)
        if name in OWN_NAMES:
            return f"{shown(relative)}: expected a name for its copy that no report of ours has; rename it"
        others = [other for other in self._stems.get(name, ()) if other != relative]
        if not others:
            return None
        found = f"found the same one for {', '.join(map(shown, others))}; rename one of them"
        return f"{shown(relative)}: expected a name of its own for its copy, {found}"

    def _name(self, relative: str) -> str:
        name = self._project.copy_name(relative, encoding="PCM_24", sample_rate_hz=48_000)
        return normalize("NFC", name).casefold()


def clashes(project: Project, names: Sequence[str]) -> dict[str, str]:
    """Say of each stem whose copy can't have its name why."""
    claims = Claims(project, names)
    return {relative: says for relative in names if (says := claims.says(relative))}


def sidecars_in(outbox: Path) -> list[Path]:
    """Give the copies that the sidecars below this folder belong to, whether they are there or not."""
    found = (place.with_name(place.name.removesuffix(SIDECAR_SUFFIX)) for place in outbox.rglob(f"*{SIDECAR_SUFFIX}"))
    return sorted(copy for copy in found if sidecar_of(copy) is not None)


def check_outbox(project: Project, folder: Path) -> None:
    """See that a folder really lies in the outbox, whatever links were put there since the project was loaded.

    Raises:
        NameRefused: where it leads elsewhere; copies would be written among originals, or over them.
    """
    found = folder.resolve()
    if not found.is_relative_to(project.outbox):
        raise NameRefused(f"{shown(folder)}: expected a folder of the outbox, found a link to {shown(found)}")


def copy_place(project: Project, relative: str, info: StreamInfo, own_sha256s: frozenset[str]) -> CopyPlace:
    """Find the first name that is free or holds a copy of ours of the same stem.

    A file is ours where its hash is one of `own_sha256s`, or where the sidecar beside it describes it and names this
    stem.

    Raises:
        NameRefused: where the name leaves no room for a sidecar.
    """
    name = project.copy_name(relative, encoding=info.encoding.value, sample_rate_hz=info.sample_rate_hz)
    first = project.outbox / name
    check_outbox(project, first.parent)
    passed: list[Path] = []
    for place in _candidates(first):
        _check_length(place)
        found = sha256_of(place)
        if _is_free_or_ours(place, found, shown(relative), own_sha256s):
            return CopyPlace(place, None if place == first else first, found, tuple(passed))
        passed.append(place)
    raise NameRefused(f"{shown(name)}: expected a free name, found {MOST_PLACES} files of others under it")


def check_still_free(place: CopyPlace, original: Path) -> None:
    """See that the copy's name is as free, or as much ours, as when it was chosen.

    Raises:
        FileExistsError: where another file took it meanwhile.
        NameRefused: where the original lies under it, by a link of either kind.
    """
    if _is_same_file(place.path, original):
        raise NameRefused(f"{shown(place.path)}: expected a copy's name, found the original itself under it")
    if os.path.lexists(place.path) and (
        place.replaces_sha256 is None or sha256_of(place.path) != place.replaces_sha256
    ):
        raise FileExistsError(shown(place.path))


def _is_same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def stale_sidecars(place: CopyPlace, stem: str) -> Iterator[Path]:
    """Sidecars of ours that describe no file any more once the copy is in place.

    That is the one of the copy's predecessor, and the one beside a copy that a person has altered since.
    """
    yield sidecar_place(place.path)
    for passed in place.passed_over:
        altered = sidecar_of(passed)
        if altered and altered.stem == stem:
            yield sidecar_place(passed)


def _candidates(first: Path) -> Iterator[Path]:
    yield first
    for number in range(2, MOST_PLACES):
        yield first.with_name(f"{first.stem}.v{number}{first.suffix}")


def _is_free_or_ours(place: Path, found: str | None, stem: str, own_sha256s: frozenset[str]) -> bool:
    if not os.path.lexists(place):
        return not os.path.lexists(sidecar_place(place)) or _names(sidecar_of(place), stem)
    if found is None or place.is_symlink():
        return False
    sidecar = sidecar_of(place)
    described = sidecar.copy_.sha256 if sidecar and sidecar.copy_ else None
    return found in own_sha256s or (_names(sidecar, stem) and described == found)


def _names(sidecar: Sidecar | None, stem: str) -> bool:
    return sidecar is not None and sidecar.stem == stem


def _check_length(place: Path) -> None:
    size = len(os.fsencode(sidecar_place(place).name))
    if size > LONGEST_NAME_BYTES:
        expected = f"a name of at most {LONGEST_NAME_BYTES} bytes with {SIDECAR_SUFFIX} behind it"
        raise NameRefused(f"{shown(place.name)}: expected {expected}, found {size}")
