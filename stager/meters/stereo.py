"""How the two channels of a stereo file relate to each other. The channels' means are removed.

Correlation r = sum(xy) / sqrt(sum(x^2) sum(y^2)); side balance is the left channel's power over the right one's; the
mono loss is what folding to (L + R) / 2 does to the level, against the mean power of the channels: 0 dB for identical
ones, -3.01 for independent ones of equal level, and the level of (1 + r) / 2 in general. Source: worked arithmetic.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from stager.meters.peak import Samples
from stager.system.jit import sample_loop
from stager.units import db_from_power


@dataclass(frozen=True)
class StereoResult:
    """None where it has no meaning: a side is silent, or the fold is.

    `correlation` runs from -1 to 1; `side_balance_db` is positive where the left is louder; `mono_loss_db` is 0 or
    less.
    """

    correlation: float | None
    side_balance_db: float | None
    mono_loss_db: float | None


class StereoMeter:
    """Sums of products of two channels; files of one channel, or of more than two, have no result."""

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._sums = np.zeros(6)

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        if self._channels == 2:
            _sum_products(block, self._sums)

    def result(self) -> StereoResult:
        """Return the relations between the channels in all that was fed."""
        frames, x, y, xx, yy, xy = self._sums.tolist()
        if not frames:
            return StereoResult(None, None, None)
        left, right, both = xx - x * x / frames, yy - y * y / frames, xy - x * y / frames
        if left <= 1e-12 * xx or right <= 1e-12 * yy:
            return StereoResult(None, None, None)
        correlation = max(-1.0, min(1.0, both / sqrt(left * right)))
        folded = (left + right + 2.0 * both) / 4.0
        loss = folded / ((left + right) / 2.0)
        return StereoResult(correlation, db_from_power(left / right), db_from_power(loss) if loss > 1e-12 else None)


@sample_loop
def _sum_products(block: Samples, sums: Samples) -> None:
    """Add frames, x, y, x^2, y^2, xy to the sums."""
    x = y = xx = yy = xy = 0.0
    for i in range(block.shape[0]):
        left, right = block[i, 0], block[i, 1]
        x += left
        y += right
        xx += left * left
        yy += right * right
        xy += left * right
    sums[0] += block.shape[0]
    sums[1] += x
    sums[2] += y
    sums[3] += xx
    sums[4] += yy
    sums[5] += xy
