"""Walks the chunks of a RIFF/WAVE file and says whether its header and its length agree.

Source: the chunk rules of RIFF (an odd chunk has one pad byte that its size does not count), and, for what a header
looks like while its writer is still at work, measurements with libsndfile 1.2.2.
"""

import os
import struct
from dataclasses import dataclass
from enum import Enum
from typing import Final

HEADER_BYTES: Final = 12
UNKNOWN_SIZE: Final = 0xFFFFFFFF
PLACEHOLDER_RIFF_SIZES: Final = (0, 8, UNKNOWN_SIZE)
"""What stands in the RIFF size while a file is being written: 0, or 8 (libsndfile 1.2.2), or all ones."""


class Finish(Enum):
    """How far the writer of a file has come, as far as the header tells."""

    COMPLETE = "complete"
    CUT = "its header promises more than the file holds"
    OPEN = "its header was never finished"


@dataclass(frozen=True)
class Chunk:
    """One chunk: its four-character name, the place of its payload, the payload's length as its header states it."""

    name: bytes
    start: int
    size: int

    @property
    def padded_end(self) -> int:
        """Where the next chunk begins: after the payload and, where its size is odd, one pad byte."""
        return self.start + self.size + (self.size & 1)


@dataclass(frozen=True)
class Layout:
    """The chunks of a file in order, with its true length in bytes and the size that its RIFF header states."""

    chunks: tuple[Chunk, ...]
    riff_size: int
    file_bytes: int

    def first(self, name: bytes) -> Chunk | None:
        """Give the first chunk of this name."""
        return next((chunk for chunk in self.chunks if chunk.name == name), None)

    @property
    def finish(self) -> Finish:
        """Say whether the writer has finished: no size is a placeholder, and nothing lies past the end of the file."""
        data = self.first(b"data")
        if data is None or data.size == UNKNOWN_SIZE or self.riff_size in PLACEHOLDER_RIFF_SIZES:
            return Finish.OPEN
        if data.size == 0 and data is self.chunks[-1] and self.file_bytes > data.start + 1:
            return Finish.OPEN
        ends = (self.riff_size + 8, *(chunk.start + chunk.size for chunk in self.chunks))
        return Finish.CUT if max(ends) > self.file_bytes + (self.riff_size & 1) else Finish.COMPLETE


def walk(descriptor: int, file_bytes: int) -> Layout:
    """Read the chunk headers of a RIFF file; stops at the end of the file, or where no chunk can follow.

    Raises:
        OSError: where the system refuses a read.
    """
    riff_size = struct.unpack("<I", os.pread(descriptor, 4, 4))[0]
    chunks: list[Chunk] = []
    position = HEADER_BYTES
    while position + 8 <= file_bytes:
        head = os.pread(descriptor, 8, position)
        if len(head) < 8 or not head[:4].isascii():
            break
        chunks.append(Chunk(head[:4], position + 8, int.from_bytes(head[4:], "little")))
        if _is_open_data(chunks[-1]):
            break
        position = chunks[-1].padded_end
    return Layout(tuple(chunks), riff_size, file_bytes)


def _is_open_data(chunk: Chunk) -> bool:
    """Whether the rest of the file is audio whose length was never written, so that no chunk can be found behind."""
    return chunk.name == b"data" and chunk.size in (0, UNKNOWN_SIZE)
