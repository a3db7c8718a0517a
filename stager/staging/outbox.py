"""Where a copy goes: under its own name, or, where a person's file has that name, beside it."""

import os
import re
import stat
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import lru_cache, partial
from pathlib import Path
from typing import Final
from unicodedata import normalize

from stager.errors import NameRefused
from stager.model import Levels, Sidecar, StemName, StreamInfo, read_sidecar
from stager.project import Project
from stager.staging.ownership import Owner, is_anothers, named_in
from stager.system.files import files_below, read_whole, sha256_of
from stager.system.printable import shown

LONGEST_NAME_BYTES: Final = 255
SIDECAR_SUFFIX: Final = ".json"
OTHER_DOCUMENT: Final = re.compile(rb'\s*\{\s*"schema"\s*:\s*"(?!stager/sidecar/)')
"""How another document begins, `report.json` above all: to look for a sidecar in it took 0.2 MB a stem."""
MOST_PLACES: Final = 1000
OWN_NAMES: Final = re.compile(r"(report|notes)(\.v\d+)?\.(json|csv|html|md)")
"""What lies in the outbox beside copies, in lower case."""


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
    """Return the place of a copy's sidecar: the copy's name with `.json` behind it."""
    return copy_path.with_name(copy_path.name + SIDECAR_SUFFIX)


def sidecar_of(copy_path: Path) -> Sidecar | None:
    """Read the sidecar beside a copy; None where there is none that can be read."""
    text = read_whole(sidecar_place(copy_path))
    if text is None or OTHER_DOCUMENT.match(text):
        return None
    try:
        return read_sidecar(text)
    except ValueError:
        return None


def is_unaltered(copy: Path, copy_sha256: str) -> bool:
    """Return whether a copy is there as it was written; its bytes are read only where it is newer than its sidecar."""
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
        """Return why a stem's copy can't have its name, or None."""
        name = self._name(relative)
        if OWN_NAMES.fullmatch(name) or OWN_NAMES.fullmatch(name + SIDECAR_SUFFIX):
            return "expected a name for its copy that no report of ours has; rename it"
        others = [other for other in self._stems.get(name, ()) if other != relative]
        if not others:
            return None
        found = f"found the same one for {', '.join(map(shown, others))}; rename one of them"
        return f"expected a name of its own for its copy, {found}"

    def _name(self, relative: str) -> str:
        name = self._project.copy_name(relative, encoding="PCM_24", sample_rate_hz=48_000)
        return normalize("NFC", name).casefold()


def clashes(project: Project, names: Sequence[str]) -> dict[str, str]:
    """Return, for each stem whose copy can't have its name, the reason."""
    claims = Claims(project, names)
    return {relative: says for relative in names if (says := claims.says(relative))}


def listed_copies(outbox: Path) -> list[Path]:
    """Return the copies below this folder that a file with a sidecar's name lies beside, whether they are there or not.

    Such a file may be no sidecar, or a damaged one.
    """
    named = (path for path in files_below(outbox) if path.name.endswith(SIDECAR_SUFFIX) and path.name != SIDECAR_SUFFIX)
    return sorted(path.with_name(path.name.removesuffix(SIDECAR_SUFFIX)) for path in named)


def sidecars_in(outbox: Path) -> list[Path]:
    """Return the copies that the sidecars below this folder belong to, whether they are there or not."""
    return [copy for copy in listed_copies(outbox) if sidecar_of(copy) is not None]


def levels_of_others(project: Project, stem: str) -> dict[str, Levels]:
    """Return the levels of all stems of a project that have a sidecar, but this one's.

    A sidecar is read again once it changes.
    """
    found: dict[str, Levels] = {}
    is_foreign = lru_cache(maxsize=64)(partial(is_anothers, project))
    for copy in listed_copies(project.outbox):
        with suppress(OSError):
            place = sidecar_place(copy).stat()
            known = _levels_in(copy, place.st_ino, place.st_mtime_ns, place.st_size)
            if known and not is_foreign(copy.parent, known[2]):
                found[known[0]] = known[1]
    return {other: levels for other, levels in found.items() if other != stem}


@lru_cache(maxsize=4096)
def _levels_in(copy: Path, *_state: int) -> tuple[str, Levels, str | None] | None:
    """The stem, the levels and the project file in a copy's sidecar; `_state` is what the system says of that file."""
    sidecar = sidecar_of(copy)
    return (sidecar.stem, sidecar.levels, named_in(sidecar)) if sidecar else None


def check_outbox(project: Project, folder: Path) -> None:
    """Raise unless a folder really lies in the outbox: links may have been put there since the project was loaded.

    Raises:
        NameRefused: where it leads elsewhere; copies would be written among originals, or over them.
    """
    found = folder.resolve()
    if not found.is_relative_to(project.outbox):
        raise NameRefused("", f"{shown(folder)}: expected a folder of the outbox, found a link to {shown(found)}")


def own_copy(project: Project, copy_path: bytes) -> Path | None:
    """Return where a copy lies that the ledger names, None where that is not in the outbox, links resolved.

    A state file may hold anything; no file outside the outbox is read or removed because of it.
    """
    copy = project.outbox / os.fsdecode(copy_path)
    parts = Path(os.fsdecode(copy_path)).parts
    if not parts or ".." in parts or b"\0" in copy_path:
        return None
    return copy if copy.parent.resolve().is_relative_to(project.outbox) else None


def outbox_elsewhere(project: Project) -> Path | None:
    """Return the outbox where it lies outside of the project's folder: it is never made, since its disk may be away."""
    return None if project.outbox.is_relative_to(project.folder) else project.outbox


def copy_place(project: Project, stem: StemName, info: StreamInfo, own_sha256s: frozenset[str]) -> CopyPlace:
    """Find the first name that is free or holds a copy of ours of the same stem.

    A file is ours where its hash is one of `own_sha256s`, or where the sidecar beside it describes it and names this
    stem and project; never where that names another project that is there.

    Raises:
        NameRefused: where the name leaves no room for a sidecar.
    """
    name = project.copy_name(stem.relative, encoding=info.encoding.value, sample_rate_hz=info.sample_rate_hz)
    first = project.outbox / name
    check_outbox(project, first.parent)
    passed: list[Path] = []
    owner = Owner(project, stem.printable, own_sha256s)
    for place in numbered_names(first):
        _check_length(place)
        _check_sidecar_name(place)
        found = sha256_of(place)
        if _is_free_or_ours(place, found, owner):
            return CopyPlace(place, None if place == first else first, found, tuple(passed))
        passed.append(place)
    raise NameRefused(shown(name), f"expected a free name for its copy, found {MOST_PLACES} files of others under it")


def check_still_free(place: CopyPlace, original: Path) -> None:
    """See that the copy's name is as free, or as much ours, as when it was chosen.

    Raises:
        FileExistsError: where another file took it meanwhile.
        NameRefused: where the original lies under it, by a link of either kind.
    """
    if _is_same_file(place.path, original):
        raise NameRefused("", f"{shown(place.path)}: expected a copy's name, found the original itself under it")
    if os.path.lexists(place.path) and (
        place.replaces_sha256 is None or sha256_of(place.path) != place.replaces_sha256
    ):
        raise FileExistsError(shown(place.path))


def _is_same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def stale_sidecars(place: CopyPlace, owner: Owner) -> Iterator[Path]:
    """Sidecars of ours that describe no file any more once the copy is in place.

    That is the one of the copy's predecessor, and the one beside a copy that a person has altered since.
    """
    yield sidecar_place(place.path)
    for passed in place.passed_over:
        if owner.made(passed, sidecar_of(passed)):
            yield sidecar_place(passed)


def numbered_names(first: Path) -> Iterator[Path]:
    """Yield a name, then `NAME.v2.wav` and so on: where a file goes that finds the names before it taken."""
    yield first
    for number in range(2, MOST_PLACES):
        yield first.with_name(f"{first.stem}.v{number}{first.suffix}")


def _is_free_or_ours(place: Path, found: str | None, owner: Owner) -> bool:
    sidecar = sidecar_of(place)
    if not os.path.lexists(place):
        return not os.path.lexists(sidecar_place(place)) or owner.made(place, sidecar)
    return found is not None and not place.is_symlink() and owner.has_written(place, found, sidecar)


def _check_sidecar_name(place: Path) -> None:
    sidecar = sidecar_place(place)
    if sidecar.is_dir() and not sidecar.is_symlink():
        raise NameRefused(
            "", f"{shown(sidecar)}: expected room for a sidecar, found a folder of that name; move it away"
        )


def _check_length(place: Path) -> None:
    size = len(os.fsencode(sidecar_place(place).name))
    if size > LONGEST_NAME_BYTES:
        expected = f"a name of at most {LONGEST_NAME_BYTES} bytes with {SIDECAR_SUFFIX} behind it"
        raise NameRefused(shown(place.name), f"expected {expected}, found {size}")
