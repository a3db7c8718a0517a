"""Walks the chunks of a WAVE file, RIFF, RF64 or BW64, and says whether its header and its length agree.

Source: RIFF (an odd chunk has one pad byte that its size does not count); EBU Tech 3306 and ITU-R BS.2088 (RF64, BW64:
sizes of FFFFFFFFh stand in the `ds64` chunk, which comes first); and, for what a header looks like while its writer is
still at work, measurements with libsndfile 1.2.2.
"""

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Final

HEADER_BYTES: Final = 12
UNKNOWN_SIZE: Final = 0xFFFFFFFF
PLACEHOLDER_RIFF_SIZES: Final = (0, 8, UNKNOWN_SIZE)
"""What stands in the RIFF size while a file is being written: 0, or 8 (libsndfile 1.2.2), or all ones."""
WIDE_FORMS: Final = ("RF64", "BW64")
DS64_BYTES: Final = 28
TABLE_ENTRY_BYTES: Final = 12
LIST_TYPES: Final = (b"INFO", b"adtl")
MOST_CHUNKS: Final = 100_000
"""More chunks than that are no file of a recorder, but a header made to cost time (own limit)."""


class Finish(Enum):
    """How far the writer of a file has come, by its header."""

    COMPLETE = "complete"
    CUT = "its header promises more than the file holds"
    OPEN = "its header was never finished"


@dataclass(frozen=True)
class Chunk:
    """One chunk: its four-character name, the place of its payload, the payload's length as its header states it.

    `head_bytes` is the length of its own header, `align` what the place of the next chunk is a multiple of.
    """

    name: bytes
    start: int
    size: int
    head_bytes: int = 8
    align: int = 2

    @property
    def head_start(self) -> int:
        """Where its own header begins."""
        return self.start - self.head_bytes

    @property
    def padded_end(self) -> int:
        """Where the next chunk begins: after the payload and its padding."""
        end = self.start + self.size
        return end + -(end - self.head_start) % self.align


@dataclass(frozen=True)
class Layout:
    """The chunks of a file in order, with its true length in bytes and the size that its header states, less 8.

    `form` is the kind of file: RIFF, RF64, BW64 or W64.
    """

    chunks: tuple[Chunk, ...]
    riff_size: int
    file_bytes: int
    form: str = "RIFF"

    def first(self, name: bytes) -> Chunk | None:
        """Return the first chunk of this name."""
        return next((chunk for chunk in self.chunks if chunk.name == name), None)

    @property
    def wide(self) -> Chunk | None:
        """Return the chunk that holds this file's sizes in 64 bits: a `ds64`, first in an RF64 or BW64 file.

        A chunk of that name anywhere else, or in a RIFF file, is a chunk as any other.
        """
        first = self.chunks[0] if self.chunks and self.form in WIDE_FORMS else None
        return first if first and first.name == b"ds64" and first.size >= DS64_BYTES else None

    @property
    def end_of_audio(self) -> int:
        """Return the byte offset at which the `data` chunk ends by the size it states; the file's end without one."""
        data = self.first(b"data")
        return data.start + data.size if data else self.file_bytes

    @property
    def finish(self) -> Finish:
        """Return how far the file's writer has got; complete: no placeholder size, no chunk past the end of the file.

        Of an odd size in the header one byte may be missing; of a chunk none may.
        """
        data = self.first(b"data")
        if data is None or data.size == UNKNOWN_SIZE or self.riff_size in PLACEHOLDER_RIFF_SIZES:
            return Finish.OPEN
        if self.form in WIDE_FORMS and self.wide is None:
            return Finish.OPEN
        if data.size == 0 and data is self.chunks[-1] and self.file_bytes > data.start + 1:
            return Finish.OPEN
        past_end = max(chunk.start + chunk.size for chunk in self.chunks) > self.file_bytes
        stated_end = self.riff_size + 8 - (self.riff_size & 1)
        return Finish.CUT if past_end or stated_end > self.file_bytes else Finish.COMPLETE


def walk(descriptor: int, file_bytes: int, form: str = "RIFF") -> Layout:
    """Read the chunk headers of a file; stops at the end of the file, or where no chunk can follow.

    Raises:
        OSError: where the system refuses a read.
    """
    riff_size = int.from_bytes(os.pread(descriptor, 4, 4), "little")
    wide = _wide_sizes(descriptor, file_bytes) if form in WIDE_FORMS else {}
    if riff_size == UNKNOWN_SIZE:
        riff_size = wide.get(b"riff", riff_size)
    return Layout(tuple(_chunks(descriptor, file_bytes, riff_size + 8, wide)), riff_size, file_bytes, form)


def chunks_behind(descriptor: int, layout: Layout) -> Iterator[Chunk]:
    """Yield chunks behind the end that the header states: some readers ignore that end and find them.

    Raises:
        OSError: where the system refuses a read.
    """
    position = layout.chunks[-1].padded_end if layout.chunks else layout.file_bytes
    yield from chunks_from(descriptor, position, layout.file_bytes)


def chunks_from(descriptor: int, position: int, file_bytes: int) -> Iterator[Chunk]:
    """Yield the chunks that a reader finds which begins at a place and takes any four bytes for a name.

    Raises:
        OSError: where the system refuses a read.
    """
    for _ in range(MOST_CHUNKS):
        head = os.pread(descriptor, 8, position) if position + 8 <= file_bytes else b""
        if len(head) < 8:
            return
        chunk = Chunk(head[:4], position + 8, int.from_bytes(head[4:], "little"))
        yield chunk
        position = chunk.padded_end


def parts_of_list(descriptor: int, chunk: Chunk, file_bytes: int) -> Iterator[bytes]:
    """Yield the names that a reader finds in a LIST chunk: its type, and those of its parts.

    Source: libsndfile 1.2.2, which takes a type anywhere for a name without a size, and padding behind some parts only:
    the parts are given both with padding and without.

    Raises:
        OSError: where the system refuses a read.
    """
    end = min(chunk.start + chunk.size, file_bytes)
    for align in (1, 2):
        position = chunk.start
        for _ in range(MOST_CHUNKS):
            head = os.pread(descriptor, 8, position) if position + 4 <= end else b""
            if len(head) < 4:
                break
            yield head[:4]
            size = int.from_bytes(head[4:], "little")
            position += 4 if head[:4] in LIST_TYPES else 8 + size + -size % align


def _chunks(descriptor: int, file_bytes: int, stated_end: int, wide: Mapping[bytes, int]) -> Iterator[Chunk]:
    """Yield the chunks up to the end that the header states; bytes behind it are no chunks of the file.

    Up to and with the audio, the header is ignored: a writer that is still at work has not put its end there yet. It is
    ignored for good where it ends before the audio does.
    """
    position, past_audio = HEADER_BYTES, False
    for _ in range(MOST_CHUNKS):
        chunk = _chunk_at(descriptor, position, file_bytes, wide)
        if chunk is None or (past_audio and position >= stated_end):
            return
        yield chunk
        position = chunk.padded_end
        if chunk.name == b"data" and not past_audio:
            past_audio, stated_end = True, stated_end if stated_end >= chunk.start + chunk.size else file_bytes
        if chunk.name == b"data" and chunk.size in (0, UNKNOWN_SIZE) and not _tiles(descriptor, position, file_bytes):
            return  # the rest is audio whose length was never written


def _chunk_at(descriptor: int, position: int, file_bytes: int, wide: Mapping[bytes, int]) -> Chunk | None:
    head = os.pread(descriptor, 8, position) if position + 8 <= file_bytes else b""
    if len(head) < 8 or not head[:4].isascii():
        return None
    size = int.from_bytes(head[4:], "little")
    return Chunk(head[:4], position + 8, wide.get(head[:4], size) if size == UNKNOWN_SIZE else size)


def _tiles(descriptor: int, position: int, file_bytes: int) -> bool:
    """Whether chunks fill the rest of the file, to its last byte."""
    for _ in range(MOST_CHUNKS):
        chunk = _chunk_at(descriptor, position, file_bytes, {})
        if chunk is None:
            break
        position = chunk.padded_end
    return position == file_bytes


def _wide_sizes(descriptor: int, file_bytes: int) -> dict[bytes, int]:
    """Read the 64-bit sizes of a `ds64` chunk, by chunk name; `riff` is the file's own."""
    head = os.pread(descriptor, 8 + DS64_BYTES, HEADER_BYTES)
    if len(head) < 8 + DS64_BYTES or head[:4] != b"ds64" or int.from_bytes(head[4:8], "little") < DS64_BYTES:
        return {}
    sizes = {b"riff": int.from_bytes(head[8:16], "little"), b"data": int.from_bytes(head[16:24], "little")}
    room = min(int.from_bytes(head[4:8], "little") - DS64_BYTES, file_bytes) // TABLE_ENTRY_BYTES
    entries = min(int.from_bytes(head[32:36], "little"), room, MOST_CHUNKS)
    table = os.pread(descriptor, entries * TABLE_ENTRY_BYTES, HEADER_BYTES + 8 + DS64_BYTES)
    for at in range(0, len(table) - TABLE_ENTRY_BYTES + 1, TABLE_ENTRY_BYTES):
        sizes.setdefault(table[at : at + 4], int.from_bytes(table[at + 4 : at + 12], "little"))
    return sizes
