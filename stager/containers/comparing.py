"""Compares what stands around the samples of an original and its copy."""

from collections.abc import Iterator
from typing import Final

from stager.containers.bext import LOUDNESS_AT, time_reference_frames
from stager.containers.chunks import Change
from stager.containers.copying import CopyLayout, OpenField, Piece, lay_out
from stager.containers.source import AudioFile
from stager.containers.wave import WaveFile

LOUDNESS_BYTES: Final = 10
LONGEST_COMPARED: Final = 1 << 20


def start_frames(source: AudioFile) -> int | None:
    """Give the time stamp of a file's first sample, in frames of its own rate; None where it has none."""
    chunk = source.layout.first(b"bext") if isinstance(source, WaveFile) else None
    return time_reference_frames(source.read(chunk.start, min(chunk.size, 602))) if chunk else None


def chunk_differences(before: AudioFile, after: AudioFile, what: str, *, as_it_is: bool) -> Iterator[str]:
    """Name each chunk of a WAVE copy that is not what it should be; fields of measured figures are not looked at.

    `what` are the words of the coding history; `as_it_is` says that the copy should be the original's bytes.
    """
    if not isinstance(before, WaveFile) or not isinstance(after, WaveFile):
        return
    found = [chunk.name for chunk in after.layout.chunks]
    if as_it_is:
        yield from _name_differences([chunk.name for chunk in before.layout.chunks], found)
        return
    layout = lay_out(before, Change(before.info, after.info, what))
    wanted = _names(layout)
    differences = list(_name_differences(wanted, found))
    yield from differences or _byte_differences(before, after, layout)


def _names(layout: CopyLayout) -> list[bytes]:
    return [piece.name for piece in layout.pieces if piece.name]


def _name_differences(wanted: list[bytes], found: list[bytes]) -> Iterator[str]:
    for name in dict.fromkeys(wanted + found):
        less = wanted.count(name) - found.count(name)
        text = name.decode("ascii", "replace").strip()
        if less > 0:
            yield f"the chunk {text} is lost"
        elif less < 0:
            yield f"it has a chunk {text} that its original does not give it"
    if sorted(wanted) == sorted(found) and wanted != found:
        yield "its chunks stand in another order"


def _byte_differences(before: WaveFile, after: WaveFile, layout: CopyLayout) -> Iterator[str]:
    """Pieces in the same order are compared byte by byte, but for fields that hold figures of the copy itself."""
    at = 0
    for piece in layout.pieces:
        length = layout.audio_bytes if piece.is_audio else piece.length
        open_field = next((waiting for waiting in layout.open_fields if at <= waiting.at < at + length), None)
        if not piece.is_audio and not _same(before, after, piece, at, open_field):
            name = piece.name.decode("ascii", "replace").strip()
            yield f"the chunk {name} has other bytes" if name else "bytes outside its chunks differ"
        at += length


def _same(before: WaveFile, after: WaveFile, piece: Piece, at: int, waiting: OpenField | None) -> bool:
    """Compare one piece with what stands at this place of the copy, in portions."""
    for offset in range(0, piece.length, LONGEST_COMPARED):
        count = min(LONGEST_COMPARED, piece.length - offset)
        fresh = piece.fresh[offset : offset + count] if piece.fresh is not None else None
        wanted = before.read(piece.start + offset, count) if fresh is None else fresh
        found = after.read(at + offset, count)
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
