"""What is left of a copy when its original, times the recorded gain, is taken away.

On an integer grid that is rounding and dither alone: RMS 0.5 LSB and never beyond 1.5 with triangular dither, 0.289
and 0.5 without (Wannamaker, Lipshitz, Vanderkooy, Wright, IEEE Trans. Signal Processing 48(2), 2000). And because the
dither follows from the original's hash, every sample of the copy can be foretold: one that differs is not ours.
"""

from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np

from stager.containers import AudioFile, Gain
from stager.meters import Samples

DITHERED_RMS_LSB: Final = 0.5
ROUNDED_RMS_LSB: Final = sqrt(1.0 / 12.0)
FLOAT_LSB_BITS: Final = 24
"""The grid in whose steps the residual of a float copy is given."""


@dataclass(frozen=True, eq=False)
class Residual:
    """Figures in LSB of the copy's grid.

    `wrong` samples are not what the recorded trim gives, the first at `first_frame`; `excerpt` holds original and copy around the first wrong sample, (frames, channels) each, for a closer look.
    """

    peak_lsb: float
    rms_lsb: float
    expected_rms_lsb: float
    wrong: int
    first_frame: int | None
    excerpt: tuple[Samples, Samples] | None


def residual_of(original: AudioFile, copy: AudioFile, gain: Gain, *, rounded: bool) -> Residual:
    """Go through both files side by side; they must have the same shape. `rounded` says whether the copy was."""
    info = copy.info
    scale = 2.0 ** ((info.valid_bits or FLOAT_LSB_BITS) - 1)
    peak = squares = 0.0
    wrong = frames = hushed = 0
    first: int | None = None
    excerpt: tuple[Samples, Samples] | None = None
    for before, after in zip(original.blocks(), copy.blocks(), strict=True):
        left = (after - before * gain.factor) * scale
        peak, squares = max(peak, float(np.abs(left).max())), squares + float((left * left).sum())
        differs = after != gain.foretold(before, info, frames)
        if differs.any() and excerpt is None:
            first, excerpt = frames + int(differs.any(axis=1).argmax()), (before, after)
        wrong += int(differs.sum())
        hushed += sum(
            min(stop, frames + len(before)) - max(start, frames)
            for _, start, stop in gain.silences.between(frames, frames + len(before))
        )
        frames += len(before)
    samples = max(1, frames * info.channels)
    expected = (
        0.0 if not rounded else DITHERED_RMS_LSB * sqrt(1.0 - hushed / samples) if gain.dithered else ROUNDED_RMS_LSB
    )
    return Residual(peak, sqrt(squares / samples), expected, wrong, first, excerpt)
