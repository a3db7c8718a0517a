"""Chunks and files of the WAVE family by struct alone, after their published layouts; and one reader for all of them.

Sources: EBU Tech 3285 (bext, levl), Tech 3306 (RF64), ITU-R BS.2088 (BW64), the RIFF layouts of cue, adtl and smpl,
libsndfile's PEAK and W64, the iXML element names.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.support import wavefile
from tests.support.wavefile import Array, Chunks, Kind, Wave

UNKNOWN: Final = 0xFFFFFFFF
W64_RIFF: Final = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000")
W64_TAIL: Final = bytes.fromhex("f3acd3118cd100c04f8edb8a")
LOUDNESS: Final = slice(412, 422)
MASK_5_1: Final = 0x3F


@dataclass(frozen=True)
class Part:
    """One chunk as it lies in the file: its whole identifier, its payload, its padding."""

    identifier: bytes
    payload: bytes
    pad: bytes

    @property
    def name(self) -> bytes:
        """The first four characters."""
        return self.identifier[:4]


@dataclass(frozen=True)
class File:
    """A whole file: its form, its length as stated and as found, its chunks."""

    form: bytes
    stated_bytes: int
    file_bytes: int
    parts: tuple[Part, ...]

    @property
    def names(self) -> list[bytes]:
        """The names of the chunks, in order."""
        return [part.name for part in self.parts]

    def payload(self, name: bytes) -> bytes:
        """Return the payload of the first chunk of this name."""
        return next(part.payload for part in self.parts if part.name == name)

    @property
    def wave(self) -> Wave:
        """The same as `wavefile` has it, for its samples."""
        kind, rate_hz, channels = wavefile._format(self.payload(b"fmt "))
        chunks = tuple((part.name, part.payload) for part in self.parts)
        pads = tuple(part.pad for part in self.parts)
        return Wave(self.stated_bytes, self.file_bytes, chunks, pads, kind, rate_hz, channels)


def bext(
    version: int,
    *,
    time_reference: int = 0,
    umid: bytes = bytes(64),
    loudness: tuple[int, ...] = (0, 0, 0, 0, 0),
    history: bytes = b"",
) -> bytes:
    """Return a broadcast chunk; every text field is filled, so that a shifted one shows."""
    texts = (
        b"A part of an invented song".ljust(256, b"\0")
        + b"a recorder".ljust(32, b"\0")
        + b"REF0000001".ljust(32, b"\0")
    )
    fixed = texts + b"2031-05-06" + b"07:08:09" + struct.pack("<QH", time_reference, version) + umid
    return fixed + struct.pack("<5h", *loudness) + bytes(180) + history


def cue(*at_frames: int) -> bytes:
    """Return a chunk of cue points with the identifiers 1, 2, ..."""
    points = (struct.pack("<II4sIII", i + 1, at, b"data", 0, 0, at) for i, at in enumerate(at_frames))
    return struct.pack("<I", len(at_frames)) + b"".join(points)


def adtl(*names: bytes) -> bytes:
    """Return the payload of a LIST with a label for each cue point, and a note and a length for the first."""
    entries = [wavefile.chunk(b"labl", struct.pack("<I", i + 1) + name + b"\0") for i, name in enumerate(names)]
    entries.append(wavefile.chunk(b"note", struct.pack("<I", 1) + b"breathe before it\0"))
    entries.append(wavefile.chunk(b"ltxt", struct.pack("<II4sHHHH", 1, 4_800, b"rgn ", 0, 0, 0, 0)))
    return b"adtl" + b"".join(entries)


def smpl(start: int, end: int) -> bytes:
    """Return a sampler chunk with one loop."""
    return struct.pack("<9I", 0, 0, 20_833, 60, 0, 0, 0, 1, 0) + struct.pack("<6I", 1, 0, start, end, 0, 0)


def peak(clock: int, *entries: tuple[float, int]) -> bytes:
    """Return a PEAK chunk: version 1, the writer's clock, each channel's peak and its frame."""
    return struct.pack("<II", 1, clock) + b"".join(struct.pack("<fI", *entry) for entry in entries)


def levl() -> bytes:
    """Return a peak envelope chunk of one peak (EBU Tech 3285 supplement 3)."""
    head = struct.pack("<8I", 1, 2, 1, 256, 1, 1, UNKNOWN, 128)
    return head + b"2031:05:06:07:08:09:000".ljust(28, b"\0") + bytes(68) + struct.pack("<H", 1234)


def riff(samples: Array, kind: Kind, before: Chunks = (), after: Chunks = (), *, fmt: bytes = b"") -> bytes:
    """Return a RIFF file at 48 kHz; `fmt` replaces the format chunk's payload."""
    content = wavefile.wave_bytes(samples, 48_000, kind, before=before, after=after)
    return content[:20] + fmt + content[20 + len(fmt) :] if fmt else content


def wide(
    form: bytes,
    samples: Array,
    kind: Kind,
    *,
    before: Chunks = (),
    after: Chunks = (),
    in_table: tuple[bytes, ...] = (),
    spare: bytes = b"",
) -> bytes:
    """Return an RF64 or BW64 file; sizes of chunks `in_table` stand in ds64 alone; `spare` is room behind its table."""
    frames = wavefile.as_frames(samples)
    audio = wavefile.pack(frames, kind)
    chunks = [(b"fmt ", wavefile.fmt_chunk(kind, 48_000, frames.shape[1])), *before, (b"data", audio), *after]
    body = b"".join(_chunk(name, payload, unstated=name in (*in_table, b"data")) for name, payload in chunks)
    table = b"".join(struct.pack("<4sQ", name, len(dict(chunks)[name])) for name in in_table)
    size = 28 + len(table) + len(spare)
    count = len(frames) if form == b"RF64" else 0
    sizes = struct.pack("<QQQI", 4 + 8 + size + len(body), len(audio), count, len(in_table))
    return form + struct.pack("<I", UNKNOWN) + b"WAVE" + wavefile.chunk(b"ds64", sizes + table + spare) + body


def _chunk(name: bytes, payload: bytes, *, unstated: bool) -> bytes:
    made = wavefile.chunk(name, payload)
    return made[:4] + struct.pack("<I", UNKNOWN) + made[8:] if unstated else made


def w64_chunk(identifier: bytes, payload: bytes) -> bytes:
    """Return a W64 chunk; its size counts its own header, its padding reaches the next multiple of eight."""
    return identifier + struct.pack("<Q", 24 + len(payload)) + payload + bytes(-len(payload) % 8)


def w64(samples: Array, kind: Kind, before: Chunks = (), after: Chunks = ()) -> bytes:
    """Return a W64 file; identifiers of four characters get the common tail, longer ones are taken as they are."""
    frames = wavefile.as_frames(samples)
    fmt = (b"fmt ", wavefile.fmt_chunk(kind, 48_000, frames.shape[1]))
    chunks = [fmt, *before, (b"data", wavefile.pack(frames, kind)), *after]
    body = b"".join(w64_chunk(name if len(name) == 16 else name + W64_TAIL, payload) for name, payload in chunks)
    return W64_RIFF + struct.pack("<Q", 40 + len(body)) + b"wave" + W64_TAIL + body


def read(path: Path) -> File:
    """Read a whole file of any form; anything that is not as its standard has it fails an assertion."""
    raw = path.read_bytes()
    if raw[:16] == W64_RIFF:
        assert raw[24:40] == b"wave" + W64_TAIL
        return File(b"W64 ", struct.unpack_from("<Q", raw, 16)[0], len(raw), tuple(_w64_parts(raw)))
    form, stated, kind = struct.unpack_from("<4sI4s", raw)
    assert form in (b"RIFF", b"RF64", b"BW64")
    assert kind == b"WAVE"
    sizes = _sizes(raw) if form != b"RIFF" else {}
    if form != b"RIFF":
        assert stated == UNKNOWN
        stated = sizes[b"file"]
    return File(form, stated + 8, len(raw), tuple(_parts(raw, sizes)))


def _sizes(raw: bytes) -> dict[bytes, int]:
    assert raw[12:16] == b"ds64", "ds64 is the first chunk (EBU Tech 3306)"
    whole, audio, _, count = struct.unpack_from("<QQQI", raw, 20)
    table = (struct.unpack_from("<4sQ", raw, 48 + 12 * i) for i in range(count))
    return {**dict(table), b"file": whole, b"data": audio}


def _parts(raw: bytes, sizes: dict[bytes, int]) -> Iterator[Part]:
    at = 12
    while at < len(raw):
        name, size = struct.unpack_from("<4sI", raw, at)
        size = sizes[name] if size == UNKNOWN else size
        payload, at = raw[at + 8 : at + 8 + size], at + 8 + size
        assert len(payload) == size, f"{name!r} promises more than there is"
        pad, at = raw[at : at + (size & 1)], at + (size & 1)
        assert len(pad) == (size & 1), f"{name!r} has no pad byte"
        yield Part(name, payload, pad)


def _w64_parts(raw: bytes) -> Iterator[Part]:
    at = 40
    while at < len(raw):
        size = struct.unpack_from("<Q", raw, at + 16)[0]
        end = at + size
        padded = end + -end % 8
        assert size >= 24
        assert padded <= len(raw), f"{raw[at : at + 4]!r} promises more than there is"
        yield Part(raw[at : at + 16], raw[at + 24 : end], raw[end:padded])
        at = padded
