"""Writes a copy, whatever its container, and fills in the figures that only the finished copy can give."""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

from stager.containers.bext import LoudnessFields, with_loudness
from stager.containers.chunks import Change, peak_payload
from stager.containers.copying import OpenField, lay_out, write_pieces
from stager.containers.pcm import Samples
from stager.containers.requantise import Gain
from stager.containers.sndfile import ForeignFile, write_foreign
from stager.containers.source import AudioFile, Digest
from stager.containers.wave import WaveFile
from stager.errors import ChangedStem
from stager.model import ChunkLog, StreamInfo
from stager.system.prefetch import prefetched
from stager.system.printable import shown


@dataclass(frozen=True)
class CopyPlan:
    """What is written: the open original, its hash, the gain (None: its bytes as they are), and the copy's stream.

    `what` goes into the coding history of files that have one. With `processed`, the samples come from there, in
    64-bit float and of the shape that `info` says, and only what lies around them from the original.
    """

    source: AudioFile
    source_sha256: str
    gain: Gain | None
    info: StreamInfo
    what: str
    processed: Callable[[], Iterator[Samples]] | None = None

    def blocks(self, seen: Digest) -> Iterator[Samples]:
        """Yield the samples that the gain is applied to; every byte that is read again passes through `seen`."""
        digest = None if self.source.kept else seen
        if self.processed is None:
            yield from self.source.blocks(digest)
        else:
            self.source.digest_stretch(digest, 0, self.source.file_bytes)
            yield from self.processed()


@dataclass(frozen=True)
class Written:
    """A copy as it was written: its hash (None: the library wrote it), its chunks, what it does not carry.

    `open_fields` wait for `fill_fields`.
    """

    sha256: str | None
    chunks: ChunkLog
    not_carried: tuple[str, ...] = ()
    open_fields: tuple[OpenField, ...] = ()


@dataclass(frozen=True)
class FinalFigures:
    """What a finished copy measures: loudness for `bext`, peaks by channel and their frames for `PEAK`."""

    loudness: LoudnessFields
    peaks_linear: tuple[float, ...]
    peaks_at_frames: tuple[float, ...]


def write_copy(plan: CopyPlan, out: BinaryIO) -> Written:
    """Write the copy into an empty file.

    Raises:
        ChangedStem: where the original's bytes are no longer those that were measured.
        UnsupportedStem: where its container can't hold the copy's encoding.
    """
    seen = hashlib.sha256()
    written = _write(plan, out, seen)
    read_sha256 = written.sha256 if plan.gain is None else seen.hexdigest() if plan.source.kept is None else None
    if read_sha256 not in (None, plan.source_sha256):
        raise ChangedStem(shown(plan.source.path.name), "expected the bytes that were measured, found others")
    return written


def fill_fields(out: BinaryIO, written: Written, figures: FinalFigures) -> None:
    """Put the figures of the finished copy where its chunks wait for them."""
    for waiting in written.open_fields:
        if waiting.name == b"bext":
            payload = with_loudness(waiting.payload, figures.loudness)
        else:
            payload = peak_payload(figures.peaks_linear, figures.peaks_at_frames)
        out.seek(waiting.at)
        out.write(payload)
    out.flush()


def change_of(plan: CopyPlan) -> Change:
    """Return what a plan changes."""
    return Change(plan.source.info, plan.info, plan.what)


def _write(plan: CopyPlan, out: BinaryIO, seen: Digest) -> Written:
    source, gain = plan.source, plan.gain
    if gain is None:
        names = [chunk.name.decode("ascii") for chunk in source.layout.chunks] if isinstance(source, WaveFile) else []
        return Written(_poured(source.raw(0, source.file_bytes), out), ChunkLog(kept=tuple(names)))
    if isinstance(source, ForeignFile):
        return Written(None, ChunkLog(), write_foreign(source, plan.info, gain, out, seen, plan.blocks(seen)))
    assert isinstance(source, WaveFile)
    layout = lay_out(source, change_of(plan))
    digest = _poured(write_pieces(source, layout, prefetched(_audio(plan.blocks(seen), gain, plan.info))), out)
    return Written(digest, layout.chunks, layout.not_carried, layout.open_fields)


def _audio(blocks: Iterator[Samples], gain: Gain, info: StreamInfo) -> Iterator[bytes]:
    first_frame = 0
    for block in blocks:
        yield gain.encode(block, info, first_frame)
        first_frame += len(block)


def _poured(portions: Iterator[bytes], out: BinaryIO) -> str:
    """Write what comes; return its hash."""
    digest = hashlib.sha256()
    for portion in portions:
        digest.update(portion)
        out.write(portion)
    return digest.hexdigest()
