"""The chunks and tags of AIFF, CAF and FLAC files, and whether a file is whole.

What a copy lost comes from no table of what a library can do: original and finished copy are read alike, and compared.

Source: AIFF and AIFF-C (big-endian chunks in a FORM), the Core Audio Format (big-endian chunks with 64-bit sizes, -1
for audio up to the end of the file; `info` as pairs of strings that end in 0), FLAC (metadata blocks before the frames,
vorbis comments as NAME=text).
"""

import hashlib
import os
import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

from stager.model import MAX_CHANNELS, Encoding, StreamInfo
from stager.system.printable import on_screen

MOST_CHUNKS: Final = 10_000
MOST_TAGS: Final = 10_000
MOST_TEXT_BYTES: Final = 1 << 20
"""As much is read of one chunk of text; what is behind it counts by its length."""
SHOWN_CHARACTERS: Final = 40
AIFF_CODECS: Final = (b"NONE", b"twos", b"sowt", b"in24", b"in32", b"fl32", b"FL32", b"fl64", b"FL64")
"""Compression types of AIFF-C that are integer PCM or float; all others are refused before anything decodes them."""
AIFF_ESSENTIAL: Final = ("COMM", "SSND", "FVER", "PEAK")
AIFF_TAGS: Final = ("NAME", "AUTH", "(c) ", "ANNO")
CAF_ESSENTIAL: Final = ("desc", "data", "free", "peak")
FLAC_BLOCKS: Final = ("STREAMINFO", "PADDING", "APPLICATION", "SEEKTABLE", "VORBIS_COMMENT", "CUESHEET", "PICTURE")
FLAC_ESSENTIAL: Final = ("STREAMINFO", "PADDING", "SEEKTABLE")
CAF_DESC_BYTES: Final = 32
CAF_EDIT_COUNT_BYTES: Final = 4
NEVER_FINISHED: Final = "its header was never finished"
CUT: Final = "its header promises more than the file holds"
Chunk = tuple[bytes, int, int]
"""Name, start of the payload, size."""


class Entry(NamedTuple):
    """A chunk, or a tag with the beginning of its text.

    Two entries are equal where `identity` is: name without case, hash of the text, number of bytes that were not read.
    """

    name: str
    text: str | None
    identity: tuple[str, str, int]

    @classmethod
    def chunk(cls, name: str, unread_bytes: int = 0) -> "Entry":
        """Return a chunk, compared by its name alone, or the rest of one whose beginning was understood."""
        return cls(name, None, (name.casefold(), "", unread_bytes))

    @classmethod
    def tag(cls, name: str, text: bytes, unread_bytes: int = 0) -> "Entry":
        """Return a tag."""
        beginning = text[: 4 * SHOWN_CHARACTERS + 4].decode("utf-8", "replace")
        return cls(name, beginning, (name.casefold(), hashlib.sha256(text).hexdigest(), unread_bytes))


@dataclass(frozen=True)
class Metadata:
    """All but the samples: container, why it is unfinished (None: whole), a codec not staged, chunks and tags.

    `entries` leaves out what every copy has of its own. `twice` is a chunk that readers disagree about, since there are
    two of it where one belongs.
    """

    container: str
    unfinished: str | None
    odd_codec: str | None
    entries: tuple[Entry, ...]
    twice: str | None = None


def is_foreign(head: bytes) -> bool:
    """Return whether a file begins as AIFF, CAF or FLAC does; it takes its first 12 bytes."""
    aiff = head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC")
    return aiff or head[:4] in (b"caff", b"fLaC")


def read_metadata(descriptor: int, file_bytes: int, head: bytes) -> Metadata:
    """Return the chunks and tags of an open file; `head` is its first 12 bytes.

    Raises:
        OSError: where the system refuses a read.
    """
    if head[:4] == b"FORM":
        return _aiff(descriptor, file_bytes, head[8:12].decode())
    return _caf(descriptor, file_bytes) if head[:4] == b"caff" else _flac(descriptor, file_bytes)


def missing(original: Metadata, copy: Metadata) -> tuple[str, ...]:
    """Return short names of the chunks and tags of an original that its copy lacks, in the order of the original.

    A tag is shown with its text where the copy has another of the same name.
    """
    left = Counter(entry.identity for entry in copy.entries)
    names = {entry.name.casefold() for entry in copy.entries}
    lost = []
    for entry in original.entries:
        if left[entry.identity]:
            left[entry.identity] -= 1
        else:
            lost.append(_label(entry, with_text=entry.name.casefold() in names))
    return tuple(lost)


def _label(entry: Entry, *, with_text: bool) -> str:
    name = _short(entry.name)
    if entry.text is None:
        return name
    return f"tag {name}={_short(entry.text)}" if with_text else f"tag {name}"


def _short(text: str) -> str:
    text = on_screen(text)
    return text if len(text) <= SHOWN_CHARACTERS else f"{text[: SHOWN_CHARACTERS - 1]}…"


def _aiff(descriptor: int, file_bytes: int, container: str) -> Metadata:
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
    entries = tuple(_aiff_entries(descriptor, chunks))
    unfinished = NEVER_FINISHED if open_header else CUT if cut else None
    odd_codec = None if codec in AIFF_CODECS else _text(codec)
    return Metadata(container, unfinished, odd_codec, entries, _twice(chunks, b"COMM", b"SSND"))


def _aiff_entries(descriptor: int, chunks: list[Chunk]) -> Iterator[Entry]:
    for raw_name, start, size in chunks:
        name = raw_name.decode("latin-1")
        if name == "COMM" and (bits := int.from_bytes(os.pread(descriptor, 2, start + 6), "big")) % 8:
            yield Entry.chunk(f"the depth of {bits} bits")
        elif name in AIFF_TAGS:
            raw, unread = _some(descriptor, start, size)
            if text := raw.rstrip(b"\0"):
                yield Entry.tag(name, text, unread)
        elif name not in AIFF_ESSENTIAL:
            yield Entry.chunk(name)


def _caf(descriptor: int, file_bytes: int) -> Metadata:
    chunks = list(_big_chunks(descriptor, file_bytes, 8, ">4sq", 1))
    audio = next(((start, size) for name, start, size in chunks if name == b"data"), None)
    codec = next((os.pread(descriptor, 4, start + 8) for name, start, _ in chunks if name == b"desc"), b"none")
    cut = any(start + size > file_bytes for _, start, size in chunks)
    entries = tuple(_caf_entries(descriptor, chunks))
    unfinished = NEVER_FINISHED if audio is None or audio[1] < 0 else CUT if cut else None
    odd_codec = None if codec == b"lpcm" else _text(codec)
    return Metadata("CAF", unfinished, odd_codec, entries, _twice(chunks, b"desc", b"data"))


def _twice(chunks: list[Chunk], *once: bytes) -> str | None:
    """Return the first of these names that several chunks have."""
    count = Counter(name for name, _, _ in chunks)
    return next((_text(name) for name in once if count[name] > 1), None)


def cut_caf_stream(descriptor: int, file_bytes: int) -> StreamInfo | None:
    """Return the stream of a CAF file as far as it is there, since the library opens none that was cut; else None.

    Raises:
        OSError: where the system refuses a read.
    """
    chunks = {name: start for name, start, _ in _big_chunks(descriptor, file_bytes, 8, ">4sq", 1)}
    if b"desc" not in chunks or b"data" not in chunks:
        return None
    described = os.pread(descriptor, CAF_DESC_BYTES, chunks[b"desc"])
    if len(described) < CAF_DESC_BYTES:
        return None
    rate_hz, _, flags, packet_bytes, _, channels, bits = struct.unpack(">d4sIIIII", described)
    encoding = {(0, 16): Encoding.PCM_16, (0, 24): Encoding.PCM_24, (0, 32): Encoding.PCM_32}.get((flags & 1, bits))
    encoding = encoding or {(1, 32): Encoding.FLOAT, (1, 64): Encoding.DOUBLE}.get((flags & 1, bits))
    if encoding is None or not packet_bytes or not 0 < channels <= MAX_CHANNELS or not 1.0 <= rate_hz <= 1e9:
        return None
    return StreamInfo(
        container="CAF",
        encoding=encoding,
        valid_bits=bits if encoding.is_integer else 0,
        sample_rate_hz=round(rate_hz),
        channels=channels,
        frames=max(0, file_bytes - chunks[b"data"] - CAF_EDIT_COUNT_BYTES) // packet_bytes,
    )


def _caf_entries(descriptor: int, chunks: list[Chunk]) -> Iterator[Entry]:
    for raw_name, start, size in chunks:
        name = raw_name.decode("latin-1")
        if name == "info":
            yield from _caf_tags(*_some(descriptor, start, size))
        elif name not in CAF_ESSENTIAL:
            yield Entry.chunk(name)


def _caf_tags(body: bytes, unread: int) -> Iterator[Entry]:
    """The pairs of an `info` chunk that have a text, and the chunk itself where not all could be understood."""
    count = int.from_bytes(body[:4], "big")
    strings = body[4:].split(b"\0")[: 2 * min(count, MOST_TAGS)]
    pairs = list(zip(strings[::2], strings[1::2], strict=False))
    yield from (Entry.tag(key.decode("utf-8", "replace"), text) for key, text in pairs if text)
    if unread or len(pairs) < count:
        yield Entry.chunk("info", unread)


def _flac(descriptor: int, file_bytes: int) -> Metadata:
    entries: list[Entry] = []
    frames = 0
    for name, start, size in _flac_blocks(descriptor, file_bytes):
        if name == "STREAMINFO":
            frames = int.from_bytes(os.pread(descriptor, 5, start + 13), "big") & 0xFFFFFFFFF
        elif name == "VORBIS_COMMENT":
            entries += _vorbis_tags(*_some(descriptor, start, size))
        elif name not in FLAC_ESSENTIAL:
            entries.append(Entry.chunk(name))
    return Metadata("FLAC", None if frames else NEVER_FINISHED, None, tuple(entries))


def _flac_blocks(descriptor: int, file_bytes: int) -> Iterator[tuple[str, int, int]]:
    """(name, start of the body, size) of the metadata blocks before the frames."""
    position = 4
    for _ in range(MOST_CHUNKS):
        if position + 4 > file_bytes:
            return
        head = os.pread(descriptor, 4, position)
        kind, size = head[0] & 0x7F, int.from_bytes(head[1:4], "big")
        yield FLAC_BLOCKS[kind] if kind < len(FLAC_BLOCKS) else f"block {kind}", position + 4, size
        if head[0] & 0x80:
            return
        position += 4 + size


def _vorbis_tags(body: bytes, unread: int) -> Iterator[Entry]:
    """The comments that have a text, and the block itself where not all could be understood."""
    position = 8 + int.from_bytes(body[:4], "little")
    count, seen = int.from_bytes(body[position - 4 : position], "little"), 0
    understood = position <= len(body)
    while seen < min(count, MOST_TAGS) and position + 4 <= len(body):
        end = position + 4 + int.from_bytes(body[position : position + 4], "little")
        name, equals, text = body[position + 4 : end].partition(b"=")
        if text or (name and not equals):
            yield Entry.tag(name.decode("utf-8", "replace").upper(), text)
        seen, position = seen + (end <= len(body)), end
    if unread or seen < count or not understood:
        yield Entry.chunk("VORBIS_COMMENT", unread)


def _some(descriptor: int, start: int, size: int) -> tuple[bytes, int]:
    """As much of a chunk of text as is read, and how many bytes are left of it."""
    return os.pread(descriptor, min(max(size, 0), MOST_TEXT_BYTES), start), max(0, size - MOST_TEXT_BYTES)


def _big_chunks(descriptor: int, file_bytes: int, first: int, head: str, align: int) -> Iterator[Chunk]:
    """Big-endian chunks, up to the end of the file or to audio without an end."""
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
