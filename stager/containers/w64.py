"""Walks the chunks of a W64 file: 16-byte identifiers, 64-bit sizes that count their own header, places in eights.

Source: the layout as libsndfile 1.2.2 reads and writes it.
"""

import os
from collections.abc import Iterator
from typing import Final

from stager.containers.riff import MOST_CHUNKS, Chunk, Layout

RIFF_ID: Final = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000")
TAIL: Final = bytes.fromhex("f3acd3118cd100c04f8edb8a")
WAVE_ID: Final = b"wave" + TAIL
HEADER_BYTES: Final = 40
CHUNK_HEAD_BYTES: Final = 24


def is_w64(head: bytes) -> bool:
    """Return whether a file begins as a W64 file does; it takes its first 40 bytes."""
    return head[:16] == RIFF_ID and head[24:40] == WAVE_ID


def walk_w64(descriptor: int, file_bytes: int) -> Layout:
    """Read the chunk headers of a W64 file; `riff_size` is given as for a RIFF file, the stated length less 8.

    Raises:
        OSError: where the system refuses a read.
    """
    stated = int.from_bytes(os.pread(descriptor, 8, 16), "little")
    return Layout(tuple(_chunks(descriptor, file_bytes)), max(0, stated - 8), file_bytes, "W64")


def _chunks(descriptor: int, file_bytes: int) -> Iterator[Chunk]:
    position = HEADER_BYTES
    for _ in range(MOST_CHUNKS):
        head = os.pread(descriptor, CHUNK_HEAD_BYTES, position) if position + CHUNK_HEAD_BYTES <= file_bytes else b""
        if len(head) < CHUNK_HEAD_BYTES:
            return
        size = int.from_bytes(head[16:24], "little") - CHUNK_HEAD_BYTES
        if size < 0 and head[:4] != b"data":
            return
        chunk = Chunk(_name(head[:16]), position + CHUNK_HEAD_BYTES, max(0, size), CHUNK_HEAD_BYTES, 8)
        yield chunk
        if chunk.name == b"data" and chunk.size == 0:
            return
        position = chunk.padded_end


def _name(identifier: bytes) -> bytes:
    """The four characters of a common chunk, or of an unknown one where they are text; else its first bytes in hex.

    Only the whole identifier makes a chunk the format or the audio.
    """
    if identifier[:4] in (b"fmt ", b"data") and identifier[4:] != TAIL:
        return identifier[4:6].hex().encode()
    return identifier[:4] if identifier[:4].isascii() else identifier[:2].hex().encode()
