"""Proves each pack of a project: silence, then the samples of its copy bit for bit, then silence."""

import json
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile

from stager.containers import Padding, open_audio, padded_difference
from stager.errors import StemError
from stager.model.pack import Pack, PackedFile
from stager.project import Project
from stager.system.files import read_whole, sha256_of, write_whole
from stager.system.printable import shown
from stager.verify.pack_files import PackFiles, log_of, opened_pack, sum_differences

PACKS_NAME: Final = "packs.json"
"""The list of a project's packs, beside its ledger."""


@dataclass
class VerifiedPack:
    """One pack's proof: what differs, in sentences; `stale` names the stems that were staged or bounced anew since."""

    place: str
    files: int = 0
    differences: list[str] = field(default_factory=list)
    stale: list[str] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """Whether nothing differs."""
        return not self.differences

    def to_data(self) -> dict[str, Any]:
        """Return its place in the JSON document."""
        return {**vars(self), "ok": self.ok}


def known_packs(project: Project) -> list[Path]:
    """Return where the packs of a project were put, whether they are there still or not."""
    with suppress(ValueError, TypeError, KeyError):
        listed = json.loads(read_whole(project.state / PACKS_NAME) or b"{}")["packs"]
        return [project.folder / place for place in listed if isinstance(place, str) and "\0" not in place]
    return []


def note_pack(project: Project, place: Path) -> None:
    """Record the place of a pack, so that `verify_packs` finds it; before it is put there.

    Raises:
        PlaceError: where that can't be written.
    """
    inside = place.is_relative_to(project.folder)
    name = place.relative_to(project.folder).as_posix() if inside else os.fspath(place)
    known = [path for path in known_packs(project) if os.path.lexists(path)]
    others = {path.relative_to(project.folder).as_posix() for path in known if path.is_relative_to(project.folder)}
    others |= {os.fspath(path) for path in known if not path.is_relative_to(project.folder)}
    content = {"schema": "stager/packs/1", "packs": sorted(others | {name})}
    write_whole(project.state / PACKS_NAME, (json.dumps(content, indent=1) + "\n").encode())


def verify_packs(project: Project) -> Iterator[VerifiedPack]:
    """Prove each pack of a project that is there still; writes nothing.

    Raises:
        PlaceError: where one can't be read.
    """
    for place in known_packs(project):
        with opened_pack(place) as files:
            if files is not None:
                yield _verified(project, place, files)
            elif os.path.lexists(place):
                yield VerifiedPack(_named(project, place), differences=["no pack that can be read lies there"])


def _verified(project: Project, place: Path, files: PackFiles) -> VerifiedPack:
    result, pack = VerifiedPack(_named(project, place)), log_of(files)
    result.differences += sum_differences(files)
    if pack is None:
        result.differences.append("its log, pack.json, can't be read as one: edited or damaged since")
        return result
    result.files = len(pack.files)
    for each in pack.files:
        _compare(project, pack, each, files, result)
    return result


def _named(project: Project, place: Path) -> str:
    return shown(os.path.relpath(place, project.folder))


def _compare(project: Project, pack: Pack, each: PackedFile, files: PackFiles, result: VerifiedPack) -> None:
    """Compare one file of a pack with what it was made of; where that is another file by now, the pack is stale."""
    try:
        source = source_path(project, each)
        if sha256_of(source) != each.source.sha256:
            result.stale.append(each.stem)
            return
        padding = Padding(each.lead_frames, each.tail_frames, pack.start_frames)
        with files.open(each.file) as found, open_audio(source, settle_s=0.0) as audio:
            if says := padded_difference(found, audio, padding):
                result.differences.append(f"{each.file}: {says}")
    except (StemError, OSError, KeyError, ValueError, BadZipFile) as error:
        result.differences.append(f"{each.file}: it can't be compared: {error}")


def source_path(project: Project, each: PackedFile) -> Path:
    """Return where the file lies that a packed one was made of.

    Raises:
        ValueError: where its log has no path.
    """
    raw = bytes.fromhex(each.source.path_bytes) if each.source.path_bytes else each.source.path.encode()
    return project.folder / os.fsdecode(raw)
