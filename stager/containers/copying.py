"""Writes the copy of a WAVE file: the samples times one gain, every other byte kept or its loss reported.

The copy is laid out as a list of pieces: stretches of the original, fresh bytes, and the audio. Sizes in the header
follow from the list; a RIFF file that grows past 4 GiB becomes RF64.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from stager.containers.chunks import (
    FACT_OF_NO_W64,
    LONGEST_LOOKED_AT,
    Change,
    Fate,
    Judged,
    fact_chunk,
    judge_chunk,
)
from stager.containers.fmt import EXTENSIBLE_BYTES
from stager.containers.riff import DS64_BYTES, HEADER_BYTES, UNKNOWN_SIZE, WIDE_FORMS, Chunk
from stager.containers.w64 import HEADER_BYTES as W64_HEADER_BYTES
from stager.containers.wave import WaveFile
from stager.model import ChunkLog

MOST_RIFF_BYTES: Final = 0xFFFFFFFF
WIDE_SIZES_BYTES: Final = 24
W64_FACT_BYTES: Final = 8
RESERVED: Final = (b"JUNK", b"junk", b"PAD ")


@dataclass(frozen=True)
class Piece:
    """A part of the copy: a stretch of the original from `start` to `end`, or fresh bytes, or (neither) the audio.

    `name` is that of the chunk which begins with this piece.
    """

    start: int = 0
    end: int = 0
    fresh: bytes | None = None
    name: bytes = b""

    @property
    def is_audio(self) -> bool:
        """Whether the samples go here."""
        return self.fresh is None and self.end == 0

    @property
    def length(self) -> int:
        """Bytes of a piece that is not the audio."""
        return len(self.fresh) if self.fresh is not None else self.end - self.start


@dataclass(frozen=True)
class OpenField:
    """A payload in the copy that waits for figures of the finished copy: its chunk's name, place and bytes so far."""

    name: bytes
    at: int
    payload: bytes


@dataclass(frozen=True)
class CopyLayout:
    """How a copy is laid out, what became of the chunks, what is not carried, and which fields wait for figures."""

    pieces: tuple[Piece, ...]
    audio_bytes: int
    chunks: ChunkLog
    not_carried: tuple[str, ...]
    open_fields: tuple[OpenField, ...]


@dataclass
class _Draft:
    """The layout as it grows."""

    pieces: list[Piece] = field(default_factory=list)
    fates: dict[Fate, list[str]] = field(default_factory=lambda: {fate: [] for fate in Fate})
    notes: list[str] = field(default_factory=list)
    measured: dict[int, bytes] = field(default_factory=dict)


def lay_out(source: WaveFile, change: Change) -> CopyLayout:
    """Lay out the copy of a WAVE file.

    Raises:
        ChangedStem: where the original is shorter than it was when it was opened.
    """
    audio_bytes = change.after.frames * change.after.channels * change.after.encoding.sample_bytes
    draft, audio = _Draft(), source.layout.first(b"data")
    for chunk in source.layout.chunks:
        if chunk is audio:
            _add_audio(draft, source, chunk, audio_bytes, change)
        elif chunk is not source.layout.wide:
            _add_chunk(draft, source, chunk, change)
    draft.pieces.append(Piece(min(source.file_bytes, source.layout.chunks[-1].padded_end), source.file_bytes))
    top = _top(source, draft, audio_bytes, change)
    pieces = (*top, *draft.pieces)
    places = _places(pieces, audio_bytes)
    waiting = tuple(
        OpenField(
            draft.measured[index],
            places[index + len(top)] + source.layout.chunks[0].head_bytes,
            _payload(piece, source),
        )
        for index, piece in enumerate(draft.pieces)
        if index in draft.measured and piece.fresh is not None
    )
    log = ChunkLog(**{fate.value: tuple(names) for fate, names in draft.fates.items()})
    return CopyLayout(pieces, audio_bytes, log, tuple(draft.notes), waiting)


def write_pieces(source: WaveFile, layout: CopyLayout, audio: Iterator[bytes]) -> Iterator[bytes]:
    """Yield the bytes of the copy in order; `audio` yields the packed samples."""
    for piece in layout.pieces:
        if piece.fresh is not None:
            yield piece.fresh
        elif piece.is_audio:
            yield from audio
        else:
            yield from source.raw(piece.start, piece.end)


def _add_chunk(draft: _Draft, source: WaveFile, chunk: Chunk, change: Change) -> None:
    looked_at = chunk.size if chunk.size <= LONGEST_LOOKED_AT else EXTENSIBLE_BYTES if chunk.name == b"fmt " else 0
    misleads = chunk.name == b"fact" and source.layout.form == "W64" and not 1 <= chunk.size <= W64_FACT_BYTES
    judged = FACT_OF_NO_W64 if misleads else judge_chunk(chunk.name, source.read(chunk.start, looked_at), change)
    draft.fates[judged.fate].append(chunk.name.decode("ascii"))
    if judged.note:
        draft.notes.append(judged.note)
    if judged.fate is Fate.KEPT:
        draft.pieces.append(Piece(chunk.head_start, min(chunk.padded_end, source.file_bytes), name=chunk.name))
    elif judged.fate is Fate.REWRITTEN:
        _add_fresh(draft, source, chunk, judged)
    adds_fact = chunk.name == b"fmt " and not change.after.encoding.is_integer and change.encoding_changes
    if adds_fact and source.layout.first(b"fact") is None and source.layout.form != "W64":
        draft.pieces.append(Piece(fresh=fact_chunk(change.after), name=b"fact"))


def _add_fresh(draft: _Draft, source: WaveFile, chunk: Chunk, judged: Judged) -> None:
    if judged.measured:
        draft.measured[len(draft.pieces)] = chunk.name
    head = _head(source, chunk, len(judged.payload))
    padding = -(len(head) + len(judged.payload)) % chunk.align
    draft.pieces.append(Piece(fresh=head + judged.payload + bytes(padding), name=chunk.name))


def _add_audio(draft: _Draft, source: WaveFile, chunk: Chunk, audio_bytes: int, change: Change) -> None:
    """The audio with its header and its padding; bytes behind the last whole frame are carried in the same encoding."""
    draft.fates[Fate.REWRITTEN].append("data")
    rest = Piece(source.audio_end, chunk.start + chunk.size)
    if change.encoding_changes and rest.length:
        draft.notes.append(f"{rest.length} bytes behind the last whole frame")
        rest = Piece(source.audio_end, source.audio_end)
    size = audio_bytes + rest.end - rest.start
    draft.pieces += [Piece(fresh=_head(source, chunk, size), name=chunk.name), Piece()]
    if rest.end > rest.start:
        draft.pieces.append(rest)
    draft.pieces.append(Piece(fresh=bytes(-(size + chunk.head_bytes) % chunk.align)))


def _head(source: WaveFile, chunk: Chunk, size: int) -> bytes:
    """A chunk's own header, with its identifier as the original has it and a new size."""
    if source.layout.form == "W64":
        return source.read(chunk.head_start, 16) + struct.pack("<Q", size + chunk.head_bytes)
    stated = int.from_bytes(source.read(chunk.head_start + 4, 4), "little")
    in_ds64 = stated == UNKNOWN_SIZE and chunk.name == b"data" and source.layout.form in WIDE_FORMS
    wide = size > MOST_RIFF_BYTES - 1 or in_ds64
    return chunk.name + struct.pack("<I", UNKNOWN_SIZE if wide else size)


def _top(source: WaveFile, draft: _Draft, audio_bytes: int, change: Change) -> tuple[Piece, ...]:
    """The file's own header; sizes as the original stated them, moved by as much as the file has grown."""
    layout = source.layout
    header = W64_HEADER_BYTES if layout.form == "W64" else HEADER_BYTES
    ds64 = layout.wide
    wide_bytes = ds64.padded_end - ds64.head_start if ds64 else 0
    total = header + wide_bytes + _length(draft.pieces, audio_bytes)
    stated = _stated_size(source, draft, total)
    if layout.form == "W64":
        return (Piece(fresh=source.read(0, 16) + struct.pack("<Q", stated + 8) + source.read(24, 16)),)
    if ds64:
        draft.fates[Fate.REWRITTEN].insert(0, "ds64")
        rest = Piece(ds64.start + WIDE_SIZES_BYTES, ds64.padded_end)
        return (Piece(fresh=_wide_header(source, ds64, stated, audio_bytes, change), name=b"ds64"), rest)
    if total > MOST_RIFF_BYTES:
        return (Piece(fresh=_grown_header(source, draft, audio_bytes), name=b"ds64"),)
    return (Piece(fresh=b"RIFF" + struct.pack("<I", stated) + b"WAVE"),)


def _stated_size(source: WaveFile, draft: _Draft, total: int) -> int:
    """The size in the copy's header, less 8: the original's where that is an end of a chunk, moved as the file grew.

    A size that was no such end says nothing that could be carried: the copy, of `total` bytes, then ends with its last
    chunk, so that bytes which were no chunk of the original are none of the copy. The end of a chunk less its padding
    is an end of the copy where that chunk is carried as it is.
    """
    layout = source.layout
    end, chunks = layout.riff_size + 8, layout.chunks
    kept = {piece.start for piece in draft.pieces if piece.fresh is None}
    whole = (chunk.start + chunk.size for chunk in chunks if chunk.head_start in kept or chunk.name == b"data")
    ends = {source.file_bytes, *whole, *(chunk.padded_end for chunk in chunks)}
    is_true = end in ends and end >= layout.end_of_audio
    stated = end if is_true else min(chunks[-1].padded_end, source.file_bytes)
    return stated + total - source.file_bytes - 8


def _wide_header(source: WaveFile, ds64: Chunk, stated: int, audio_bytes: int, change: Change) -> bytes:
    """An RF64 or BW64 header with the sizes and the count of frames of its `ds64`; a wrong count and the table stay."""
    old = source.read(0, ds64.start)
    audio = source.layout.first(b"data")
    rest = audio.size - (source.audio_end - source.audio_start) if audio else 0
    top = old[:4] + (old[4:8] if old[4:8] == b"\xff" * 4 else struct.pack("<I", stated)) + old[8 : ds64.start]
    frames = int.from_bytes(source.read(ds64.start + 16, 8), "little")
    frames = change.after.frames if frames == change.before.frames else frames
    return top + struct.pack("<QQQ", stated, audio_bytes + rest, frames)


def _grown_header(source: WaveFile, draft: _Draft, audio_bytes: int) -> bytes:
    """An RF64 header for a file that no longer fits RIFF; its `ds64` takes the room that a first JUNK chunk kept."""
    grown = 8 + DS64_BYTES
    first = source.layout.chunks[0]
    left = first.size + 8 - grown
    if first.name in RESERVED and first.size % 2 == 0 and (left == 0 or left >= 8):
        junk = b"JUNK" + struct.pack("<I", left - 8) + bytes(left - 8) if left else b""
        draft.pieces[0] = Piece(fresh=junk, name=b"JUNK" if left else b"")
    total = HEADER_BYTES + grown + _length(draft.pieces, audio_bytes)
    sizes = struct.pack("<QQQI", total - 8, audio_bytes, source.info.frames, 0)
    return b"RF64" + struct.pack("<I", UNKNOWN_SIZE) + b"WAVEds64" + struct.pack("<I", DS64_BYTES) + sizes


def _payload(piece: Piece, source: WaveFile) -> bytes:
    """The payload of a fresh chunk, with its padding."""
    return (piece.fresh or b"")[source.layout.chunks[0].head_bytes :]


def _places(pieces: tuple[Piece, ...], audio_bytes: int) -> list[int]:
    """Where each piece begins in the copy."""
    places, at = [], 0
    for piece in pieces:
        places.append(at)
        at += _length([piece], audio_bytes)
    return places


def _length(pieces: list[Piece] | tuple[Piece, ...], audio_bytes: int) -> int:
    return sum(audio_bytes if piece.is_audio else piece.length for piece in pieces)
