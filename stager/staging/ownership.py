"""Whose copy lies in an outbox: several projects may share one, also where all have the same name.

A sidecar names the file of its project by the way that leads there. A project that was copied with its ledger knows the
hashes of the first one's copies, so the sidecar decides before the ledger; a project that was moved is known by its
ledger, and by nothing lying at its former place.
"""

import os
from dataclasses import dataclass, field
from pathlib import Path

from stager.model import Sidecar
from stager.project import Project
from stager.system.printable import shown


def project_file_from(project: Project, folder: Path) -> str:
    """Return the way to the project file from a folder, links resolved, as the sidecars in that folder have it."""
    return shown(os.path.relpath(project.folder.resolve() / project.file.name, folder.resolve()))


def is_of_project(project: Project, folder: Path, named: str | None) -> bool:
    """Return whether `named`, the project file in a sidecar of this folder, lies in this project's folder."""
    if not named:
        return False
    is_same_text = Path(named).parent == Path(project_file_from(project, folder)).parent
    return is_same_text or _is_same_folder((folder.resolve() / named).parent, project.folder)


def is_anothers(project: Project, folder: Path, named: str | None) -> bool:
    """Return whether `named`, the project file in a sidecar of this folder, is there and is another project's."""
    if not named or is_of_project(project, folder, named):
        return False
    return os.path.lexists(folder.resolve() / named)


def named_in(sidecar: Sidecar | None) -> str | None:
    """Return the project file that a sidecar names; None where there is no sidecar, or one of an earlier version."""
    return sidecar.project.file if sidecar else None


@dataclass(frozen=True)
class Owner:
    """A stem of a project, by its printed name, and the hashes of its copies that the project's ledger knows."""

    project: Project
    stem: str
    own_sha256s: frozenset[str] = field(default=frozenset())

    def made(self, copy: Path, sidecar: Sidecar | None) -> bool:
        """Return whether the sidecar of this copy is of this project and stem."""
        if sidecar is None or sidecar.stem != self.stem:
            return False
        if is_of_project(self.project, copy.parent, named_in(sidecar)):
            return True
        return _described(sidecar) in self.own_sha256s and not is_anothers(self.project, copy.parent, named_in(sidecar))

    def has_written(self, copy: Path, found_sha256: str, sidecar: Sidecar | None) -> bool:
        """Return whether a copy with this hash, beside this sidecar, is of this project and stem, and unaltered."""
        if is_anothers(self.project, copy.parent, named_in(sidecar)):
            return False
        return found_sha256 in self.own_sha256s or (
            self.made(copy, sidecar) and sidecar is not None and _described(sidecar) == found_sha256
        )


def _described(sidecar: Sidecar) -> str | None:
    return sidecar.copy_.sha256 if sidecar.copy_ else None


def _is_same_folder(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except (OSError, ValueError):
        return False
