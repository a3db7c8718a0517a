"""RIFF/WAVE files by struct and numpy alone, the one writer of all tests: it shares no code with what they test.

An integer code c of n valid bits stands for c / 2^(n-1); in a wider container it lies at the top ("left-justified").
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]
Chunks = Sequence[tuple[bytes, bytes]]

TAG_PCM: Final = 1
TAG_FLOAT: Final = 3
TAG_EXTENSIBLE: Final = 0xFFFE
GUID_TAIL: Final = bytes.fromhex("000000001000800000aa00389b71")


@dataclass(frozen=True)
class Kind:
    """A sample format: bytes in the container, valid bits, float or integer, and whether the header is the long one."""

    name: str
    container_bytes: int
    valid_bits: int
    is_float: bool = False
    extensible: bool = False


PCM_16: Final = Kind("PCM_16", 2, 16)
PCM_24: Final = Kind("PCM_24", 3, 24)
PCM_32: Final = Kind("PCM_32", 4, 32)
PCM_20_IN_24: Final = Kind("20 in 24", 3, 20, extensible=True)
PCM_24_EXTENSIBLE: Final = Kind("24 extensible", 3, 24, extensible=True)
FLOAT: Final = Kind("FLOAT", 4, 0, is_float=True)
DOUBLE: Final = Kind("DOUBLE", 8, 0, is_float=True)
KINDS: Final = (PCM_16, PCM_24, PCM_32, PCM_20_IN_24, PCM_24_EXTENSIBLE, FLOAT, DOUBLE)


@dataclass(frozen=True)
class Wave:
    """A file as it was read: every chunk in order with its payload, the pad bytes, and what the format chunk says."""

    riff_size: int
    file_bytes: int
    chunks: tuple[tuple[bytes, bytes], ...]
    pads: tuple[bytes, ...]
    kind: Kind
    rate_hz: int
    channels: int

    def payload(self, name: bytes) -> bytes:
        """Return the payload of the first chunk of this name."""
        return next(payload for found, payload in self.chunks if found == name)

    @property
    def names(self) -> list[bytes]:
        """The names of the chunks, in order."""
        return [name for name, _ in self.chunks]

    def codes(self) -> Array:
        """Return integer codes on the grid of the valid bits, (frames, channels), int64."""
        return unpack_codes(self.payload(b"data"), self.kind).reshape(-1, self.channels)

    def samples(self) -> Array:
        """Return samples as float64, (frames, channels), full scale 1."""
        if self.kind.is_float:
            dtype = "<f4" if self.kind.container_bytes == 4 else "<f8"
            return np.frombuffer(self.payload(b"data"), dtype).astype(float).reshape(-1, self.channels)
        return self.codes() / 2.0 ** (self.kind.valid_bits - 1)


def as_frames(values: ArrayLike) -> Array:
    """Return samples as (frames, channels), mono included; float64, (frames, channels)."""
    samples = np.asarray(values, np.float64)
    return samples[:, None] if samples.ndim == 1 else samples


def quantised(samples: Array, bits: int) -> Array:
    """Return the nearest code of so many bits for each sample, without dither, clipped to the codes; int64."""
    scale = 2 ** (bits - 1)
    return np.clip(np.rint(samples * scale), -scale, scale - 1).astype(np.int64)


def integers(codes: ArrayLike, bits: int) -> bytes:
    """Pack integer codes, little-endian, in the fewest bytes that hold so many bits."""
    wide = np.asarray(codes).astype("<i8").reshape(-1, 1).view(np.uint8)
    return wide[:, : -(-bits // 8)].tobytes()


def pack_codes(codes: Array, kind: Kind) -> bytes:
    """Pack codes of the valid bits at the top of the container, little-endian."""
    width = 8 * kind.container_bytes
    return integers(codes.astype(np.int64) << (width - kind.valid_bits), width)


def unpack_codes(raw: bytes, kind: Kind) -> Array:
    """Return codes of the valid bits, flat."""
    width = kind.container_bytes
    whole = np.zeros((len(raw) // width, 8), np.uint8)
    whole[:, 8 - width :] = np.frombuffer(raw, np.uint8).reshape(-1, width)
    return whole.reshape(-1).view("<i8") >> (64 - 8 * width) >> (8 * width - kind.valid_bits)


def pack(samples: Array, kind: Kind) -> bytes:
    """Pack samples, full scale 1, in this sample format."""
    if kind.is_float:
        return samples.astype("<f4" if kind.container_bytes == 4 else "<f8").tobytes()
    return pack_codes(quantised(samples, kind.valid_bits), kind)


def format_of(
    bits: int,
    channels: int,
    rate_hz: int = 48_000,
    *,
    tag: int = TAG_PCM,
    valid_bits: int | None = None,
    sample_bytes: int | None = None,
    mask: int = 0,
) -> bytes:
    """Return the payload of a format chunk: 16 bytes, or 40 (extensible, with a speaker mask) with `valid_bits`."""
    size = sample_bytes or -(-bits // 8)
    plain = struct.pack("<HIIHH", channels, rate_hz, rate_hz * channels * size, channels * size, bits)
    if valid_bits is None:
        return struct.pack("<H", tag) + plain
    return struct.pack("<H", TAG_EXTENSIBLE) + plain + struct.pack("<HHIH", 22, valid_bits, mask, tag) + GUID_TAIL


def fmt_chunk(kind: Kind, rate_hz: int, channels: int, mask: int = 0) -> bytes:
    """Return the payload of the format chunk of a sample format; a mask of speakers makes it extensible."""
    bits = 8 * kind.container_bytes
    valid_bits = (bits if kind.is_float else kind.valid_bits) if kind.extensible or mask else None
    tag = TAG_FLOAT if kind.is_float else TAG_PCM
    return format_of(bits, channels, rate_hz, tag=tag, valid_bits=valid_bits, mask=mask)


def chunk(name: bytes, payload: bytes, pad: bytes = b"\0") -> bytes:
    """Return a chunk with its header, and with its pad byte where its size is odd."""
    return name + struct.pack("<I", len(payload)) + payload + pad * (len(payload) & 1)


def with_riff_header(body: bytes) -> bytes:
    """Return chunks behind a RIFF header."""
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body


def riff(fmt: bytes, audio: bytes, *, before: Chunks = (), after: Chunks = ()) -> bytes:
    """Return a whole file of payloads; `before` and `after` are chunks around the samples."""
    parts = [(b"fmt ", fmt), *before, (b"data", audio), *after]
    return with_riff_header(b"".join(chunk(name, payload) for name, payload in parts))


def wave_bytes(
    samples: ArrayLike,
    rate_hz: int = 48_000,
    kind: Kind = PCM_24,
    *,
    mask: int = 0,
    before: Chunks = (),
    after: Chunks = (),
) -> bytes:
    """Return a whole file of samples, full scale 1."""
    frames = as_frames(samples)
    fmt = fmt_chunk(kind, rate_hz, frames.shape[1], mask)
    return riff(fmt, pack(frames, kind), before=before, after=after)


def wav(samples: ArrayLike, bits: int = 24, rate_hz: int = 48_000, **around: Chunks) -> bytes:
    """Return a PCM file of these samples."""
    return wave_bytes(samples, rate_hz, Kind("PCM", -(-bits // 8), bits), **around)


def float_wav(samples: ArrayLike, rate_hz: int = 48_000, *, bits: int = 32, **around: Chunks) -> bytes:
    """Return a float file of these samples."""
    return wave_bytes(samples, rate_hz, FLOAT if bits == 32 else DOUBLE, **around)


def write(
    path: Path, samples: Array, rate_hz: int = 48_000, kind: Kind = PCM_24, *, mask: int = 0, **chunks: Chunks
) -> Path:
    """Write a whole file; folders are made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(wave_bytes(samples, rate_hz, kind, mask=mask, **chunks))
    return path


def read(path: Path) -> Wave:
    """Read a whole file; anything about its structure that is not as RIFF has it fails an assertion."""
    raw = path.read_bytes()
    magic, riff_size, form = struct.unpack_from("<4sI4s", raw)
    assert (magic, form) == (b"RIFF", b"WAVE")
    chunks, pads, position = [], [], 12
    while position < len(raw):
        name, size = struct.unpack_from("<4sI", raw, position)
        payload = raw[position + 8 : position + 8 + size]
        assert len(payload) == size, f"{path.name}: {name!r} promises more than there is"
        position += 8 + size + (size & 1)
        chunks.append((name, payload))
        pads.append(raw[position - 1 : position] if size & 1 else b"")
    kind, rate_hz, channels = _format(next(payload for name, payload in chunks if name == b"fmt "))
    return Wave(riff_size, len(raw), tuple(chunks), tuple(pads), kind, rate_hz, channels)


def _format(fmt: bytes) -> tuple[Kind, int, int]:
    tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", fmt)
    valid_bits, extensible = bits, tag == TAG_EXTENSIBLE
    if extensible:
        valid_bits, _, tag = struct.unpack_from("<HIH", fmt, 18)
    is_float = tag == TAG_FLOAT
    kind = Kind("read", frame_bytes // channels, 0 if is_float else valid_bits, is_float, extensible)
    return kind, rate_hz, channels
