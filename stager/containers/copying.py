"""Writes the copy of a WAVE file: the samples changed by one gain, everything around them carried.

Chunks are carried byte for byte and in order, but for what a change of level makes stale (the file formats' own notes
on these fields; common practice where they say nothing): `PEAK` and `levl` describe the old samples and are dropped,
and a `bext` of version 2 gets its five loudness fields set to 7FFFh, which means "not used" (EBU Tech 3285 v2).
"""

import hashlib
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO, Final

from stager.containers.requantise import Gain
from stager.containers.riff import HEADER_BYTES, Chunk
from stager.containers.wave import Digest, WaveFile
from stager.errors import ChangedStem
from stager.model import ChunkLog
from stager.names import shown

STALE_CHUNKS: Final = (b"PEAK", b"levl")
BEXT_VERSION_AT: Final = 346
BEXT_LOUDNESS_AT: Final = 412
BEXT_LOUDNESS_UNUSED: Final = struct.pack("<5H", *[0x7FFF] * 5)


@dataclass(frozen=True)
class CopyPlan:
    """What is written: the open original, its hash, and the gain (None: the original's bytes as they are)."""

    source: WaveFile
    source_sha256: str
    gain: Gain | None


def write_copy(plan: CopyPlan, out: BinaryIO) -> tuple[str, ChunkLog]:
    """Write the copy to an empty file; give its SHA-256 and what became of the chunks.

    Raises:
        ChangedStem: where the original's bytes are no longer those that were measured.
    """
    seen, written = hashlib.sha256(), hashlib.sha256()
    for portion in _bytes_of(plan, seen):
        written.update(portion)
        out.write(portion)
    if seen.hexdigest() != plan.source_sha256:
        raise ChangedStem(f"{shown(plan.source.path.name)}: expected the bytes that were measured, found others")
    return written.hexdigest(), _chunk_log(plan)


def _bytes_of(plan: CopyPlan, seen: Digest) -> Iterator[bytes]:
    source = plan.source
    if plan.gain is None:
        for portion in source.raw(0, source.layout.file_bytes):
            seen.update(portion)
            yield portion
        return
    first_frame = 0
    yield _head(plan)
    for block in source.blocks(seen):
        yield plan.gain.encode(block, source.info, first_frame)
        first_frame += len(block)
    yield from _carry(plan, source.audio_end, source.layout.file_bytes)


def _head(plan: CopyPlan) -> bytes:
    """Everything before the first sample, with the RIFF size of the file as it will be."""
    layout = plan.source.layout
    gone = sum(chunk.padded_end - chunk.start + 8 for chunk in layout.chunks if _is_stale(plan, chunk))
    head = b"RIFF" + struct.pack("<I", layout.riff_size - gone) + b"WAVE"
    return head + b"".join(_carry(plan, HEADER_BYTES, plan.source.audio_start))


def _carry(plan: CopyPlan, start: int, end: int) -> Iterator[bytes]:
    """The bytes of a stretch without the stale chunks, and with stale fields marked as not used."""
    position = start
    for chunk in plan.source.layout.chunks:
        if not start <= chunk.start <= end or chunk.name == b"data":
            continue
        if _is_stale(plan, chunk):
            yield from plan.source.raw(position, chunk.start - 8)
            position = min(chunk.padded_end, end)
        elif _is_rewritten(plan, chunk):
            yield from plan.source.raw(position, chunk.start + BEXT_LOUDNESS_AT)
            yield BEXT_LOUDNESS_UNUSED
            position = chunk.start + BEXT_LOUDNESS_AT + len(BEXT_LOUDNESS_UNUSED)
    yield from plan.source.raw(position, end)


def _is_stale(plan: CopyPlan, chunk: Chunk) -> bool:
    return plan.gain is not None and chunk.name in STALE_CHUNKS


def _is_rewritten(plan: CopyPlan, chunk: Chunk) -> bool:
    """Whether a chunk holds loudness figures of the old samples."""
    if plan.gain is None or chunk.name != b"bext" or chunk.size < BEXT_LOUDNESS_AT + 10:
        return False
    return int.from_bytes(plan.source.read(chunk.start + BEXT_VERSION_AT, 2), "little") >= 2


def _chunk_log(plan: CopyPlan) -> ChunkLog:
    fates: dict[str, list[str]] = {"kept": [], "rewritten": [], "dropped": []}
    for chunk in plan.source.layout.chunks:
        rewritten = _is_rewritten(plan, chunk) or (plan.gain is not None and chunk.name == b"data")
        fate = "dropped" if _is_stale(plan, chunk) else "rewritten" if rewritten else "kept"
        fates[fate].append(chunk.name.decode("ascii"))
    return ChunkLog(**{fate: tuple(names) for fate, names in fates.items()})
