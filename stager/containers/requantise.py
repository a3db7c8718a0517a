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

from stager.compiled import sample_loop
from stager.containers.pcm import DTYPES, Samples, encode_codes, encode_floats
from stager.model import StreamInfo
from stager.model.runs import Runs

CLIP_GUARD_LSB: Final = 2.5
"""Room under full scale, in LSB, inside which dither and rounding can't pass the top code: 1 for the code range itself,
1 for the dither's half width, 0.5 for the rounding."""


def clip_guard_linear(info: StreamInfo) -> float | None:
    """Give the largest sample value that dither can't push over the top code, or None for float encodings."""
    return 1.0 - CLIP_GUARD_LSB * 2.0 ** (1 - info.valid_bits) if info.encoding.is_integer else None


@dataclass(frozen=True)
class Gain:
    """The one change that a copy gets: a factor, and, on an integer grid, the dither's key and where silence stays.

    `silences` are runs of exact zeros that are left alone.
    """

    factor: float
    dithered: bool
    source_sha256: str
    silences: Runs

    def encode(self, samples: Samples, info: StreamInfo, first_frame: int) -> bytes:
        """Apply the gain to a block, (frames, channels), that starts at `first_frame`, and pack it."""
        if not info.encoding.is_integer:
            return encode_floats(samples * self.factor, info.encoding)
        codes = self.codes(samples, info, first_frame)
        return encode_codes(codes << (8 * info.encoding.sample_bytes - info.valid_bits), info.encoding)

    def left_justified(self, samples: Samples, info: StreamInfo, first_frame: int) -> NDArray[Any]:
        """Apply the gain to a block; give codes in the high bits of int32, or floats as they are."""
        if not info.encoding.is_integer:
            return samples * self.factor
        return np.asarray(self.codes(samples, info, first_frame) << (32 - info.valid_bits))

    def foretold(self, samples: Samples, info: StreamInfo, first_frame: int) -> Samples:
        """Give the samples of the copy as they must read, (frames, channels)."""
        if info.encoding.is_integer:
            return self.codes(samples, info, first_frame).astype(np.float64) * 2.0 ** (1 - info.valid_bits)
        return (samples * self.factor).astype(DTYPES[info.encoding]).astype(np.float64)

    def codes(self, samples: Samples, info: StreamInfo, first_frame: int) -> NDArray[np.int32]:
        """Apply the gain to a block; give the codes of the grid, (frames, channels)."""
        noise = _dither(samples.shape, self._keys(info.channels), first_frame) if self.dithered else None
        if noise is not None:
            self._hush(noise, first_frame)
        codes = np.empty(samples.shape, np.int32)
        _round(samples, self.factor, np.zeros((0, 0)) if noise is None else noise, info.valid_bits, codes)
        return codes

    def _keys(self, channels: int) -> NDArray[np.uint64]:
        """One 64-bit key a channel, from the source's hash."""
        digests = [hashlib.sha256(f"{self.source_sha256}:{channel}".encode()).digest() for channel in range(channels)]
        return np.array([int.from_bytes(digest[:8], "little") for digest in digests], np.uint64)

    def _hush(self, noise: Samples, first_frame: int) -> None:
        """Take the dither out of digital silence."""
        for channel, start, stop in self.silences.between(first_frame, first_frame + len(noise)):
            noise[max(0, start - first_frame) : max(0, stop - first_frame), channel] = 0.0


def _dither(shape: tuple[int, ...], keys: NDArray[np.uint64], first_frame: int) -> Samples:
    noise = np.empty(shape)
    _triangular(keys, np.uint64(first_frame), noise)
    return noise


@sample_loop
def _triangular(keys: NDArray[np.uint64], first_frame: np.uint64, out: Samples) -> None:
    """TPDF values in LSB by the counter-based generator splitmix64: value = mix(key + frame * golden ratio)."""
    for i in range(out.shape[0]):
        step = (first_frame + np.uint64(i) + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
        for channel in range(out.shape[1]):
            z = keys[channel] + step
            z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
            z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
            z = z ^ (z >> np.uint64(31))
            high, low = np.int64(z >> np.uint64(32)), np.int64(z & np.uint64(0xFFFFFFFF))
            out[i, channel] = np.float64(high - low) * 2.3283064365386963e-10


@sample_loop
def _round(samples: Samples, factor: float, noise: Samples, valid_bits: int, out: NDArray[np.int32]) -> None:
    """Give round-half-even(sample * factor * 2^(bits - 1) + noise), held inside the codes of the grid."""
    scale = 2.0 ** (valid_bits - 1)
    for i in range(samples.shape[0]):
        for channel in range(samples.shape[1]):
            value = samples[i, channel] * factor * scale
            if noise.shape[0]:
                value += noise[i, channel]
            out[i, channel] = np.int32(np.int64(min(max(np.rint(value), -scale), scale - 1.0)))
