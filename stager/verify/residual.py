"""The residual of a copy: the copy less its original times the recorded gain.

On an integer grid that is rounding and dither alone: RMS 0.5 LSB and never beyond 1.5 with triangular dither, 0.289
and 0.5 without (Wannamaker, Lipshitz, Vanderkooy, Wright, IEEE Trans. Signal Processing 48(2), 2000). And because the
dither follows from the original's hash, every sample of the copy can be predicted: one that differs is not ours.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from typing import Final, Protocol

import numpy as np

from stager.containers import AudioFile, Gain
from stager.meters import Samples
from stager.model import StreamInfo

DITHERED_RMS_LSB: Final = 0.5
ROUNDED_RMS_LSB: Final = sqrt(1.0 / 12.0)
FLOAT_LSB_BITS: Final = 24
"""The grid in whose steps the residual of a float copy is given."""


@dataclass(frozen=True, eq=False)
class Residual:
    """Figures in LSB of the copy's grid.

    `wrong` samples are not what the recorded trim gives, the first at `first`, a frame and a channel (from 0);
    `excerpt` holds original and copy around it, (frames, channels) each, for a closer look.
    """

    peak_lsb: float
    rms_lsb: float
    expected_rms_lsb: float
    wrong: int
    first: tuple[int, int] | None
    excerpt: tuple[Samples, Samples] | None


@dataclass
class _Sums:
    """Running sums over both files."""

    frames: int = 0
    peak: float = 0.0
    squares: float = 0.0
    wrong: int = 0
    hushed: int = 0
    first: tuple[int, int] | None = None
    excerpt: tuple[Samples, Samples] | None = None

    def add(self, before: Samples, after: Samples, gain: Gain, info: StreamInfo, *, rounded: bool) -> None:
        """Take in the next block of both files; a copy on an integer grid that was not rounded is its original."""
        left = (after - before * gain.factor) * _steps(info)
        self.peak = max(self.peak, float(np.abs(left).max()))
        self.squares += float((left * left).sum())
        is_original = info.encoding.is_integer and not rounded
        differs = after != (before if is_original else gain.predicted(before, info, self.frames))
        if self.excerpt is None and differs.any():
            frame, channel = divmod(int(differs.argmax()), differs.shape[1])
            self.first, self.excerpt = (self.frames + frame, channel), (before, after)
        self.wrong += int(differs.sum())
        end = self.frames + len(before)
        runs = gain.silences.between(self.frames, end)
        self.hushed += sum(min(stop, end) - max(start, self.frames) for _, start, stop in runs)
        self.frames = end


class Blocks(Protocol):
    """What gives its samples in order, in the blocks of an `AudioFile`."""

    def blocks(self) -> Iterator[Samples]:
        """Yield the samples, (frames, channels) float64."""


def residual_of(original: Blocks, copy: AudioFile, gain: Gain, *, rounded: bool) -> Residual:
    """Go through both files side by side; they must have the same shape. `rounded` says whether the copy was."""
    sums = _Sums()
    for before, after in zip(original.blocks(), copy.blocks(), strict=True):
        sums.add(before, after, gain, copy.info, rounded=rounded)
    samples = max(1, sums.frames * copy.info.channels)
    dithered = DITHERED_RMS_LSB * sqrt(1.0 - sums.hushed / samples) if gain.dithered else ROUNDED_RMS_LSB
    rms = sqrt(sums.squares / samples)
    return Residual(sums.peak, rms, dithered if rounded else 0.0, sums.wrong, sums.first, sums.excerpt)


def _steps(info: StreamInfo) -> float:
    """Steps of the grid from 0 to full scale."""
    return float(2.0 ** ((info.valid_bits or FLOAT_LSB_BITS) - 1))
