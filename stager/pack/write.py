"""Writes a pack beside its place, checks that it adds up, and only then renames it: whole or not at all."""

import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from stager.containers import open_audio, padded_pieces
from stager.errors import ChangedStem, PackRefused
from stager.judge.sentences import counted
from stager.model import StagerStamp, Verdict
from stager.model.bus import BalanceResidual, Part
from stager.model.pack import NotPacked, Pack, PackedFile, PackedSource, RoughMixFile
from stager.pack.documents import FADERS_NAME, faders_text, mixer_notes, sums_text
from stager.pack.place import check_place, put_folder, put_zip
from stager.pack.plan import PackPlan, PlannedFile
from stager.project import Project
from stager.report.notes import NOTES_NAME, Song
from stager.songset.bus import part_of, render_sum, restored_balance
from stager.system.files import Draft, discarded, draft_in, placing, write_whole
from stager.system.folders import draft_folder
from stager.system.printable import bytes_hex, shown
from stager.system.version import VERSION
from stager.verify.pack_files import PACK_LOG, SUMS_NAME
from stager.verify.packs import note_pack

ROUGH_NAME: Final = "rough_mix"


@dataclass(frozen=True)
class PackOptions:
    """Where a pack goes and how: `replace` lets it take the place of an earlier one that nobody changed.

    `rough` is a rough mix to put in; without one the sum is. `lines` are sentences about the set for the notes.
    """

    place: Path
    as_zip: bool = False
    replace: bool = False
    rough: Path | None = None
    lines: Sequence[tuple[Verdict, str]] = ()
    on_phase: Callable[[str], None] = lambda _says: None


@dataclass(frozen=True)
class Packed:
    """A pack that was written: where it lies, and its log."""

    place: Path
    pack: Pack


class HashedDraft:
    """A file on its way into a pack, whose hash is taken as it is written."""

    def __init__(self, draft: Draft) -> None:
        self.draft, self._digest = draft, hashlib.sha256()

    def write(self, data: bytes, /) -> int:
        """Write the next bytes."""
        self._digest.update(data)
        return self.draft.file.write(data)

    @property
    def sha256(self) -> str:
        """The hash of what was written."""
        return self._digest.hexdigest()


@dataclass
class _Writer:
    """One pack as it is written into its draft folder; `sums` has the hash of each file by name."""

    project: Project
    plan: PackPlan
    folder: Path
    sums: dict[str, str] = field(default_factory=dict)

    @contextmanager
    def file(self, name: str) -> Iterator[HashedDraft]:
        """Yield a new file of the pack; it is on the disk under its name at the end."""
        with discarded(draft_in(self.folder)) as draft:
            hashed = HashedDraft(draft)
            with placing(self.folder / name):
                yield hashed
            draft.seal()
            draft.replace(self.folder / name)
        self.sums[name] = hashed.sha256

    def text(self, name: str, text: str) -> None:
        """Write a file of text."""
        with self.file(name) as out:
            out.write(text.encode())


def write_pack(project: Project, plan: PackPlan, options: PackOptions) -> Packed:
    """Write a pack; under its name it is there whole, or nothing is.

    Raises:
        PackRefused: where its place is taken, or what was written does not add up to the originals.
        ChangedStem: where a file is no longer the one that was measured.
        PlaceError: where it can't be written.
        StemError: where a file can't be read.
        Stopped: where the process was told to stop.
    """
    check_place(project, options.place, replace=options.replace)
    with draft_folder(options.place.parent) as folder:
        writer = _Writer(project, plan, folder)
        options.on_phase(f"writing {counted(len(plan.files), 'file')}")
        files = tuple(_write_stem(writer, each) for each in plan.files)
        options.on_phase("adding them up")
        balance, rough = _balance(writer), _write_rough(writer, options.rough)
        pack = _log(writer, files, rough, balance)
        song = project.settings.project
        about = Song(project.name, song.tempo_bpm, song.key, song.notes)
        writer.text(NOTES_NAME, mixer_notes(pack, plan, about, options.lines))
        writer.text(FADERS_NAME, faders_text(pack))
        writer.text(PACK_LOG, pack.to_json())
        write_whole(folder / SUMS_NAME, sums_text(writer.sums).encode())
        note_pack(project, options.place)
        put = put_zip if options.as_zip else put_folder
        put(folder, options.place, replace=options.replace)
    return Packed(options.place, pack)


def _write_stem(writer: _Writer, each: PlannedFile) -> PackedFile:
    """Write one file; its source must be the one that was measured, by every byte that is read."""
    digest = hashlib.sha256()
    with open_audio(each.source, settle_s=0.0) as source, writer.file(each.name) as out:
        for piece in padded_pieces(source, each.padding, digest):
            out.write(piece)
    if digest.hexdigest() != each.source_sha256:
        raise ChangedStem(shown(each.source.name), "expected the bytes that were measured, found others")
    return _packed_file(writer, each)


def _packed_file(writer: _Writer, each: PlannedFile) -> PackedFile:
    sidecar, info, padding = each.stem.sidecar, each.head.info, each.padding
    source = Path(os.path.relpath(each.source, writer.project.folder))
    steps = () if writer.plan.of_originals else each.stem.steps
    what = "original" if writer.plan.of_originals else "copy"
    return PackedFile(
        file=each.name,
        sha256=writer.sums[each.name],
        stem=sidecar.stem,
        role=each.stem.facts.role,
        link=sidecar.trim.link,
        source=PackedSource(path=shown(source), path_bytes=bytes_hex(source), sha256=each.source_sha256),
        encoding=info.encoding,
        channels=info.channels,
        lead_frames=padding.lead_frames,
        frames=info.frames,
        tail_frames=padding.tail_frames,
        fader_db=each.fader_db,
        pan=each.pan,
        steps=steps,
        says=f"{counted(padding.lead_frames, 'frame')} of digital silence, the {what}'s "
        f"{counted(info.frames, 'frame')} bit for bit, {counted(padding.tail_frames, 'frame')} of digital silence.",
    )


def _parts(writer: _Writer) -> list[Part]:
    """Return the written files as parts of a sum, with the faders of the list, by their own headers."""
    return [
        part_of(writer.folder / each.name, each.stem.facts.stem, gain_db=each.fader_db, pan=each.pan)
        for each in writer.plan.files
    ]


def _balance(writer: _Writer) -> BalanceResidual:
    """Add the written files up and take the sum of the originals away.

    Raises:
        PackRefused: where more than dither is left.
    """
    plan, settings = writer.plan, writer.project.settings
    compared = {part.name for part in plan.originals}
    parts = [part for part in _parts(writer) if part.name in compared]
    dithered = settings.copy_.dither == "tpdf"
    found = restored_balance(parts, plan.originals, pan_law_db=settings.bus.pan_law_db, dithered=dithered)
    if found.left_out:
        raise PackRefused(f"expected every file in the sum, found one left out: {found.left_out[0].says}")
    if not found.restored:
        raise PackRefused(f"expected a pack that adds up to the originals, found: {found.says}")
    return found


def _write_rough(writer: _Writer, given: Path | None) -> RoughMixFile:
    """Put in the rough mix that was given, as it is, or the sum of the written files."""
    if given is not None:
        name = f"{ROUGH_NAME}{given.suffix.lower()}"
        with open_audio(given, settle_s=0.0) as source, writer.file(name) as out:
            for portion in source.raw(0, source.file_bytes):
                out.write(portion)
        return RoughMixFile(file=name, sha256=writer.sums[name], made_of="given")
    name, plan = f"{ROUGH_NAME}.wav", writer.plan
    with writer.file(name) as out:
        made = render_sum(
            _parts(writer),
            out,
            pan_law_db=writer.project.settings.bus.pan_law_db,
            start_frames=plan.start_frames,
        )
    return RoughMixFile(
        file=name,
        sha256=writer.sums[name],
        made_of="sum",
        gain_db=made.gain_db,
        true_peak_dbtp=made.true_peak_dbtp,
        loudness_lufs=made.loudness_lufs,
    )


def _log(writer: _Writer, files: tuple[PackedFile, ...], rough: RoughMixFile, balance: BalanceResidual) -> Pack:
    plan = writer.plan
    missing = [NotPacked(stem=each.stem, says=f"{each.stem}: {each.says}") for each in plan.refused]
    missing += [
        NotPacked(stem=each.stem, says=f"{each.stem} was taken out of the inbox; its copy does not go along.")
        for each in plan.taken_out
    ]
    return Pack(
        project=writer.project.name,
        stager=StagerStamp(version=VERSION),
        packed_at=datetime.now(UTC).isoformat(timespec="milliseconds"),
        made_of="originals" if plan.of_originals else "copies",
        sample_rate_hz=plan.rate_hz,
        frames=plan.frames,
        start_frames=plan.start_frames,
        files=files,
        rough_mix=rough,
        balance=balance,
        without_stamp=plan.without_stamp,
        stamps_doubted=plan.stamps_doubted,
        not_packed=tuple(missing),
    )
