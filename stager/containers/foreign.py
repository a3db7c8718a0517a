"""What stands around the samples of AIFF, CAF and FLAC files: whether a file is whole, and what a copy loses.

Source: AIFF and AIFF-C (big-endian chunks in a FORM), the Core Audio Format (big-endian chunks with 64-bit sizes, -1
for audio up to the end of the file), FLAC (metadata blocks before the frames, vorbis comments as NAME=text).
"""

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

MOST_CHUNKS: Final = 10_000
AIFF_CODECS: Final = (b"NONE", b"twos", b"sowt", b"in24", b"in32", b"fl32", b"FL32", b"fl64", b"FL64")
"""Compression types of AIFF-C that are integer PCM or float; all others are refused before anything decodes them."""
AIFF_ESSENTIAL: Final = ("COMM", "SSND", "FVER", "PEAK")
AIFF_TAGS: Final = {"NAME": "title", "AUTH": "artist", "(c) ": "copyright", "ANNO": "comment"}
CAF_ESSENTIAL: Final = ("desc", "data", "free", "peak", "chan", "info")
FLAC_BLOCKS: Final = ("STREAMINFO", "PADDING", "APPLICATION", "SEEKTABLE", "VORBIS_COMMENT", "CUESHEET", "PICTURE")
FLAC_ESSENTIAL: Final = ("STREAMINFO", "PADDING", "SEEKTABLE", "VORBIS_COMMENT")
FLAC_TAGS: Final = ("TITLE", "ARTIST", "ALBUM", "DATE", "GENRE", "COPYRIGHT", "COMMENT", "LICENSE", "TRACKNUMBER")
NEVER_FINISHED: Final = "its header was never finished"
CUT: Final = "its header promises more than the file holds"


@dataclass(frozen=True)
class Surroundings:
    """The container, why it is unfinished (None: whole), a codec that is not staged, and what a copy can't carry."""

    container: str
    unfinished: str | None
    odd_codec: str | None
    not_carried: tuple[str, ...]


def is_foreign(head: bytes) -> bool:
    """Say whether a file begins as AIFF, CAF or FLAC does; it takes its first 12 bytes."""
    aiff = head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC")
    return aiff or head[:4] in (b"caff", b"fLaC")


def surroundings(descriptor: int, file_bytes: int, head: bytes) -> Surroundings:
    """Look at what stands around the samples.

    Raises:
        OSError: where the system refuses a read.
    """
    if head[:4] == b"FORM":
        return _aiff(descriptor, file_bytes, head[8:12].decode())
    return _caf(descriptor, file_bytes) if head[:4] == b"caff" else _flac(descriptor, file_bytes)


def _aiff(descriptor: int, file_bytes: int, container: str) -> Surroundings:
    form = int.from_bytes(os.pread(descriptor, 4, 4), "big")
    chunks = list(_big_chunks(descriptor, file_bytes, 12, ">4sI", 2))
    ends = [start + size for _, start, size in chunks]
    audio = next(((start, size) for name, start, size in chunks if name == b"SSND"), None)
    open_header = form == 0 or audio is None or (audio[1] <= 8 and file_bytes > audio[0] + 9)
    cut = max([form + 8, *ends]) > file_bytes + 1
    codec = b"NONE"
    for name, start, _ in chunks:
        if name == b"COMM" and container == "AIFC":
            codec = os.pread(descriptor, 4, start + 18)
    names = [name.decode("latin-1") for name, _, _ in chunks]
    lost = tuple(name for name in names if name not in AIFF_ESSENTIAL and name not in AIFF_TAGS)
    unfinished = NEVER_FINISHED if open_header else CUT if cut else None
    return Surroundings(container, unfinished, None if codec in AIFF_CODECS else _text(codec), lost)


def _caf(descriptor: int, file_bytes: int) -> Surroundings:
    chunks = list(_big_chunks(descriptor, file_bytes, 8, ">4sq", 1))
    audio = next(((start, size) for name, start, size in chunks if name == b"data"), None)
    codec = next((os.pread(descriptor, 4, start + 8) for name, start, _ in chunks if name == b"desc"), b"none")
    cut = any(start + size > file_bytes for _, start, size in chunks)
    lost = tuple(text for name, _, _ in chunks if (text := name.decode("latin-1")) not in CAF_ESSENTIAL)
    unfinished = NEVER_FINISHED if audio is None or audio[1] < 0 else CUT if cut else None
    return Surroundings("CAF", unfinished, None if codec == b"lpcm" else _text(codec), lost)


def _flac(descriptor: int, file_bytes: int) -> Surroundings:
    lost: list[str] = []
    position, frames, last = 4, 0, False
    while not last and position + 4 <= file_bytes:
        head = os.pread(descriptor, 4, position)
        last, kind, size = bool(head[0] & 0x80), head[0] & 0x7F, int.from_bytes(head[1:4], "big")
        name = FLAC_BLOCKS[kind] if kind < len(FLAC_BLOCKS) else f"block {kind}"
        body = os.pread(descriptor, size, position + 4) if name in ("STREAMINFO", "VORBIS_COMMENT") else b""
        if name == "STREAMINFO":
            frames = int.from_bytes(body[13:18], "big") & 0xFFFFFFFFF
        lost += [name] * (name not in FLAC_ESSENTIAL)
        lost += [f"comment {field}" for field in _comment_fields(body)] if name == "VORBIS_COMMENT" else []
        position += 4 + size
    return Surroundings("FLAC", None if frames else NEVER_FINISHED, None, tuple(lost))


def _comment_fields(body: bytes) -> Iterator[str]:
    """The names of vorbis comments that the library carries no tag for."""
    position = 4 + int.from_bytes(body[:4], "little")
    for _ in range(min(int.from_bytes(body[position : position + 4], "little"), MOST_CHUNKS)):
        size = int.from_bytes(body[position + 4 : position + 8], "little")
        field = body[position + 8 : position + 8 + size].partition(b"=")[0].decode("ascii", "replace").upper()
        if field and field not in FLAC_TAGS:
            yield field
        position += 4 + size


def _big_chunks(
    descriptor: int, file_bytes: int, first: int, head: str, align: int
) -> Iterator[tuple[bytes, int, int]]:
    """(name, start of the payload, size) of big-endian chunks, up to the end of the file or to audio without an end."""
    position, head_bytes = first, struct.calcsize(head)
    for _ in range(MOST_CHUNKS):
        if position + head_bytes > file_bytes:
            return
        name, size = struct.unpack(head, os.pread(descriptor, head_bytes, position))
        yield name, position + head_bytes, size
        if size < 0:
            return
        position += head_bytes + size + -size % align


def _text(codec: bytes) -> str:
    return codec.decode("ascii", "replace").strip()
