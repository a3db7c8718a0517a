"""Compares all bytes of an original and its copy but the samples: headers, chunks and tags."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from stager.containers.bext import LOUDNESS_AT, time_reference_frames
from stager.containers.chunks import Change
from stager.containers.copying import CopyLayout, OpenField, Piece, lay_out
from stager.containers.source import AudioFile
from stager.containers.wave import WaveFile
from stager.model import ChunkLog

LOUDNESS_BYTES: Final = 10
LONGEST_COMPARED: Final = 1 << 20


@dataclass(frozen=True)
class _Part:
    """One chunk as it should be, from its header to where the next begins; or the bytes before or after all of them.

    `at` is its place in the layout, `start` and `end` where the copy has it.
    """

    says: str
    at: int
    pieces: tuple[Piece, ...]
    start: int
    end: int


def start_frames(source: AudioFile) -> int | None:
    """Return the time stamp of a file's first sample, in frames of its own rate; None where it has none."""
    chunk = source.layout.first(b"bext") if isinstance(source, WaveFile) else None
    return time_reference_frames(source.read(chunk.start, min(chunk.size, 602))) if chunk else None


def chunk_differences(before: AudioFile, after: AudioFile, what: str, *, as_it_is: bool) -> Iterator[str]:
    """Name each chunk of a WAVE copy that is not what it should be; fields of measured figures are not looked at.

    `what` are the words of the coding history; `as_it_is` says that the copy should be the original's bytes, so that
    all of them count. The samples themselves are not compared here.
    """
    if not isinstance(before, WaveFile) or not isinstance(after, WaveFile):
        if _kind(before) != _kind(after):
            yield f"expected {before.info.container} as its original is, found {after.info.container}"
        return
    layout = _unchanged(before) if as_it_is else lay_out(before, Change(before.info, after.info, what))
    wanted = [piece.name for piece in layout.pieces if piece.name]
    differences = list(_name_differences(wanted, [chunk.name for chunk in after.layout.chunks]))
    yield from differences or _byte_differences(before, after, layout)


def _kind(source: AudioFile) -> str:
    """The family of a container: inside one, the library or a file's size decide."""
    return "WAVE" if isinstance(source, WaveFile) else source.info.container.replace("AIFC", "AIFF")


def _unchanged(source: WaveFile) -> CopyLayout:
    """The layout of a copy that is its original, byte for byte."""
    pieces: list[Piece] = []
    at = 0
    for chunk in source.layout.chunks:
        start = 0 if chunk is source.layout.wide else chunk.head_start
        end = min(chunk.padded_end, source.file_bytes)
        pieces += [Piece(at, start)] * (start > at)
        if chunk is source.layout.first(b"data"):
            pieces += [Piece(start, source.audio_start, name=chunk.name), Piece(), Piece(source.audio_end, end)]
        else:
            pieces.append(Piece(start, end, name=chunk.name))
        at = end
    pieces.append(Piece(at, source.file_bytes))
    return CopyLayout(tuple(pieces), source.audio_end - source.audio_start, ChunkLog(), (), ())


def _name_differences(wanted: list[bytes], found: list[bytes]) -> Iterator[str]:
    for name in dict.fromkeys(wanted + found):
        less = wanted.count(name) - found.count(name)
        if less > 0:
            yield f"the chunk {_text(name)} is lost"
        elif less < 0:
            yield f"it has a chunk {_text(name)} that its original does not give it"
    if sorted(wanted) == sorted(found) and wanted != found:
        yield "its chunks stand in another order"


def _byte_differences(before: WaveFile, after: WaveFile, layout: CopyLayout) -> Iterator[str]:
    """Compare the parts one by one, each where the copy has it; the names have been seen to agree.

    The top holds sizes that follow from all else: it is named only where nothing else differs.
    """
    differing = [part for part in _parts(after, layout) if not _same(before, after, part, layout)]
    for part in [part for part in differing if part.at] or differing:
        yield part.says


def _parts(after: WaveFile, layout: CopyLayout) -> Iterator[_Part]:
    groups: list[list[Piece]] = []
    for piece in layout.pieces[:-1]:
        if piece.name or not groups:
            groups.append([])
        groups[-1].append(piece)
    chunks = after.layout.chunks
    end = min(chunks[-1].padded_end, after.file_bytes)
    starts = [0, *(chunk.head_start for chunk in (chunks[1:] if layout.pieces[0].name else chunks)), end]
    at = 0
    for group, (start, stop) in zip(groups, pairwise(starts), strict=True):
        name = group[0].name
        says = f"the chunk {_text(name)} has other bytes" if name else "the bytes before its first chunk differ"
        yield _Part(says, at, tuple(group), start, stop)
        at += sum(_lengths(group, layout))
    yield _Part("the bytes behind its last chunk differ", at, layout.pieces[-1:], end, after.file_bytes)


def _lengths(pieces: Sequence[Piece], layout: CopyLayout) -> list[int]:
    return [layout.audio_bytes if piece.is_audio else piece.length for piece in pieces]


def _same(before: WaveFile, after: WaveFile, part: _Part, layout: CopyLayout) -> bool:
    """Compare one part with the same place of the copy, except samples and fields of measured figures."""
    lengths = _lengths(part.pieces, layout)
    if sum(lengths) != part.end - part.start:
        return False
    at = part.at
    for piece, length in zip(part.pieces, lengths, strict=True):
        waiting = next((field for field in layout.open_fields if at <= field.at < at + length), None)
        if not piece.is_audio and not _same_piece(before, after, piece, part.start + at - part.at, waiting, at):
            return False
        at += length
    return True


def _same_piece(
    before: WaveFile, after: WaveFile, piece: Piece, place: int, waiting: OpenField | None, at: int
) -> bool:
    """Compare one piece with this place of the copy, block by block; `at` is its place in the layout."""
    for offset in range(0, piece.length, LONGEST_COMPARED):
        count = min(LONGEST_COMPARED, piece.length - offset)
        fresh = piece.fresh[offset : offset + count] if piece.fresh is not None else None
        wanted = before.read(piece.start + offset, count) if fresh is None else fresh
        found = after.read(place + offset, count)
        if waiting and offset == 0:
            wanted, found = (_without_figures(text, waiting, waiting.at - at) for text in (wanted, found))
        if wanted != found:
            return False
    return True


def _without_figures(piece: bytes, waiting: OpenField, payload_at: int) -> bytes:
    """A chunk with the fields taken out that hold figures of the finished copy."""
    if waiting.name != b"bext":
        return piece[:payload_at]
    field = payload_at + LOUDNESS_AT
    return piece[:field] + piece[field + LOUDNESS_BYTES :]


def _text(name: bytes) -> str:
    return name.decode("ascii", "replace").strip()
