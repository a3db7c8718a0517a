"""RIFF/WAVE files by struct and numpy alone, so that no test leans on the code it tests.

An integer code c of n valid bits stands for c / 2^(n-1); in a wider container it lies at the top ("left-justified").
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

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
        """Give the payload of the first chunk of this name."""
        return next(payload for found, payload in self.chunks if found == name)

    @property
    def names(self) -> list[bytes]:
        """The names of the chunks, in order."""
        return [name for name, _ in self.chunks]

    def codes(self) -> Array:
        """Give integer codes on the grid of the valid bits, (frames, channels), int64."""
        return unpack_codes(self.payload(b"data"), self.kind).reshape(-1, self.channels)

    def samples(self) -> Array:
        """Give samples as float64, (frames, channels), full scale 1."""
        if self.kind.is_float:
            dtype = "<f4" if self.kind.container_bytes == 4 else "<f8"
            return np.frombuffer(self.payload(b"data"), dtype).astype(float).reshape(-1, self.channels)
        return self.codes() / 2.0 ** (self.kind.valid_bits - 1)


def as_frames(samples: Array) -> Array:
    """Give samples as (frames, channels), mono included."""
    return samples[:, None] if samples.ndim == 1 else samples


def to_codes(samples: Array, kind: Kind) -> Array:
    """Round samples to the nearest code; no dither."""
    top = 2 ** (kind.valid_bits - 1)
    return np.clip(np.rint(samples * top), -top, top - 1).astype(np.int64)


def pack_codes(codes: Array, kind: Kind) -> bytes:
    """Pack codes of the valid bits into the container, little-endian."""
    whole = codes.astype(np.int64) << (8 * kind.container_bytes - kind.valid_bits)
    raw = whole.astype("<i8").reshape(-1, 1).view(np.uint8).reshape(-1, 8)
    return raw[:, : kind.container_bytes].tobytes()


def unpack_codes(raw: bytes, kind: Kind) -> Array:
    """Unpack codes of the valid bits, flat."""
    width = kind.container_bytes
    whole = np.zeros((len(raw) // width, 8), np.uint8)
    whole[:, 8 - width :] = np.frombuffer(raw, np.uint8).reshape(-1, width)
    return whole.reshape(-1).view("<i8") >> (64 - 8 * width) >> (8 * width - kind.valid_bits)


def pack(samples: Array, kind: Kind) -> bytes:
    """Pack samples, full scale 1, in this sample format."""
    if kind.is_float:
        return samples.astype("<f4" if kind.container_bytes == 4 else "<f8").tobytes()
    return pack_codes(to_codes(samples, kind), kind)


def fmt_chunk(kind: Kind, rate_hz: int, channels: int) -> bytes:
    """Give the payload of a format chunk: 16 bytes, or 40 for the extensible header."""
    tag, bits = TAG_FLOAT if kind.is_float else TAG_PCM, 8 * kind.container_bytes
    frame_bytes = channels * kind.container_bytes
    head = TAG_EXTENSIBLE if kind.extensible else tag
    plain = struct.pack("<HHIIHH", head, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, bits)
    if not kind.extensible:
        return plain
    return plain + struct.pack("<HHIH", 22, kind.valid_bits, 0, tag) + GUID_TAIL


def chunk(name: bytes, payload: bytes, pad: bytes = b"\0") -> bytes:
    """Give a chunk with its header, and with its pad byte where its size is odd."""
    return name + struct.pack("<I", len(payload)) + payload + pad * (len(payload) & 1)


def riff(body: bytes) -> bytes:
    """Put the RIFF header before chunks."""
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body


def wave_bytes(
    samples: Array, rate_hz: int = 48_000, kind: Kind = PCM_24, *, before: Chunks = (), after: Chunks = ()
) -> bytes:
    """Give a whole file; `before` and `after` are chunks around the samples."""
    frames = as_frames(samples)
    body = chunk(b"fmt ", fmt_chunk(kind, rate_hz, frames.shape[1]))
    body += b"".join(chunk(name, payload) for name, payload in before)
    body += chunk(b"data", pack(frames, kind))
    return riff(body + b"".join(chunk(name, payload) for name, payload in after))


def write(path: Path, samples: Array, rate_hz: int = 48_000, kind: Kind = PCM_24, **chunks: Chunks) -> Path:
    """Write a whole file; folders are made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(wave_bytes(samples, rate_hz, kind, **chunks))
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
