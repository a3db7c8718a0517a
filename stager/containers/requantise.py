"""Gain, triangular dither and rounding onto an integer grid, reproducible to the bit.

Dither is the difference of two independent uniform values of one LSB each (TPDF: two LSB wide, variance 1/6 LSB^2);
with the rounding the error has an RMS of 0.5 LSB and a mean of 0. Its values depend on the source, the channel and the
frame alone, never on how the file is cut into blocks. Source: Wannamaker, Lipshitz, Vanderkooy, Wright, "A theory of
nonsubtractive dither", IEEE Trans. Signal Processing 48(2), 2000.
"""

import hashlib
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stager.containers.pcm import DTYPES, Samples, encode_codes, encode_floats
from stager.model import StreamInfo
from stager.model.runs import Runs
from stager.system.jit import sample_loop

CLIP_GUARD_LSB: Final = 2.5
"""Room under full scale, in LSB, inside which dither and rounding can't pass the top code: 1 for the code range itself,
1 for the dither's half width, 0.5 for the rounding."""


def clip_guard_linear(info: StreamInfo) -> float | None:
    """Return the largest sample value that dither can't raise above the highest code; None for float encodings."""
    return 1.0 - CLIP_GUARD_LSB * 2.0 ** (1 - info.valid_bits) if info.encoding.is_integer else None


GOLDEN: Final = 0x9E3779B97F4A7C15
"""2^64 over the golden ratio: how far splitmix64 advances with each frame."""
TILE_FRAMES: Final = 1024
"""Frames whose generator states are computed once and used again."""


@dataclass(frozen=True)
class Gain:
    """The one change of a copy: a factor and, for integers, the dither's key and the stretches of digital silence.

    `silences` are runs of exact zeros that are left alone. `equal_to` has for each channel the first (from 0) with the
    same samples, whose dither it shares, so that dual mono stays dual mono; where it is empty each has its own.
    """

    factor: float
    dithered: bool
    source_sha256: str
    silences: Runs
    equal_to: tuple[int, ...] = ()

    def encode(self, samples: Samples, info: StreamInfo, first_frame: int) -> bytes:
        """Apply the gain to a block, (frames, channels), that starts at `first_frame`, and pack it."""
        if not info.encoding.is_integer:
            return encode_floats(samples * self.factor, info.encoding)
        codes, unused = self.codes(samples, info, first_frame), 8 * info.encoding.sample_bytes - info.valid_bits
        return encode_codes(codes << unused if unused else codes, info.encoding)

    def left_justified(self, samples: Samples, info: StreamInfo, first_frame: int) -> NDArray[Any]:
        """Apply the gain to a block; return codes in the high bits of int32, or floats as they are."""
        if not info.encoding.is_integer:
            return samples * self.factor
        return np.asarray(self.codes(samples, info, first_frame) << (32 - info.valid_bits))

    def predicted(self, samples: Samples, info: StreamInfo, first_frame: int) -> Samples:
        """Return the samples of the copy as they must read, (frames, channels)."""
        if info.encoding.is_integer:
            return self.codes(samples, info, first_frame).astype(np.float64) * 2.0 ** (1 - info.valid_bits)
        return (samples * self.factor).astype(DTYPES[info.encoding]).astype(np.float64)

    def codes(self, samples: Samples, info: StreamInfo, first_frame: int) -> NDArray[np.int32]:
        """Apply the gain to a block; return the codes of the grid, (frames, channels)."""
        flat, codes = np.ascontiguousarray(samples).reshape(-1), np.empty(samples.shape, np.int32)
        scale = 2.0 ** (info.valid_bits - 1)
        if not self.dithered:
            _round(flat, self.factor, scale, codes.reshape(-1))
            return codes
        starts = _starts(self._keys(info.channels), min(len(samples), TILE_FRAMES))
        steps = _advanced(first_frame), _advanced(len(starts) // info.channels)
        _dither_and_round(flat, self.factor, scale, starts, steps, codes.reshape(-1))
        for channel, start, stop in self.silences.between(first_frame, first_frame + len(samples)):
            codes[max(0, start - first_frame) : max(0, stop - first_frame), channel] = 0  # the dither of silence
        return codes

    def _keys(self, channels: int) -> NDArray[np.uint64]:
        """One 64-bit key a channel, from the source's hash; equal channels have the same."""
        of = self.equal_to or range(channels)
        digests = [hashlib.sha256(f"{self.source_sha256}:{channel}".encode()).digest() for channel in of]
        return np.array([int.from_bytes(digest[:8], "little") for digest in digests], np.uint64)


def _advanced(frame: int) -> np.uint64:
    """How far the generator has advanced at a frame, modulo 2^64."""
    return np.uint64(frame * GOLDEN % 2**64)


def _starts(keys: NDArray[np.uint64], frames: int) -> NDArray[np.uint64]:
    """The state of the generator at each of the first interleaved samples, (frames * channels,)."""
    advanced = np.arange(1, frames + 1, dtype=np.uint64) * np.uint64(GOLDEN)
    return np.asarray(advanced[:, None] + keys).reshape(-1)


@sample_loop
def _dither_and_round(
    samples: Samples,
    factor: float,
    scale: float,
    starts: NDArray[np.uint64],
    steps: tuple[np.uint64, np.uint64],
    out: NDArray[np.int32],
) -> None:
    """Write round-half-even(sample * factor * 2^(bits - 1) + noise) of interleaved samples, held inside the codes.

    The noise is TPDF, in LSB, by the counter-based generator splitmix64: mix(key + frame * golden ratio). `steps` is
    how far it has advanced before the first sample, and how far it advances from tile to tile (`len(starts)` samples).
    """
    tile, advanced = starts.shape[0], steps[0]
    for first in range(0, samples.shape[0], tile):
        part, codes = samples[first : first + tile], out[first : first + tile]
        for i in range(part.shape[0]):
            z = starts[i] + advanced
            z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
            z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
            z = z ^ (z >> np.uint64(31))
            high, low = np.int64(z >> np.uint64(32)), np.int64(z & np.uint64(0xFFFFFFFF))
            value = part[i] * factor * scale + np.float64(high - low) * 2.3283064365386963e-10
            codes[i] = np.int32(min(max(np.rint(value), -scale), scale - 1.0))
        advanced += steps[1]


@sample_loop
def _round(samples: Samples, factor: float, scale: float, out: NDArray[np.int32]) -> None:
    """Write round-half-even(sample * factor * 2^(bits - 1)), held inside the codes of the grid."""
    for i in range(samples.shape[0]):
        out[i] = np.int32(min(max(np.rint(samples[i] * factor * scale), -scale), scale - 1.0))
