"""VU: what the needle of a volume indicator would show.

The needle follows the full-wave rectified signal as a second-order low-pass does: it reaches 99 % of a steady tone's
reading in 300 ms and overshoots it by 1.25 %. Calibrated on a sine: one of peak 1 reads 1. Source: IEC 60268-17 (99 %
in 300 ms, overshoot 1 to 1.5 %, rectified mean); damping and frequency solved from these two figures.

The figure of a stem is the mean deflection, linear, over the blocks that its average keeps, in dBFS of a sine. The
needle sees the file as it is, with its constant part.
"""

from dataclasses import dataclass
from math import pi, tan
from typing import Final, Literal

import numpy as np

from stager.compiled import sample_loop
from stager.meters.average import AverageMeter, AverageResult
from stager.meters.peak import Samples

DAMPING: Final = 0.81272
RESONANCE_RAD_S: Final = 13.512
SINE_FORM: Final = pi / 2.0
"""Peak of a sine over its rectified mean."""
FADED: Final = 1e-30


@dataclass(frozen=True, eq=False)
class VuResult:
    """Deflections, linear, 1.0 for a full-scale sine: mean of each block, (blocks, channels), and the highest."""

    block_deflections: Samples
    highest: Samples

    def stem_linear(self, average: AverageResult, channels: Literal["loudest", "mean"], gain_db: float = 0.0) -> float:
        """Give the mean deflection over the blocks that the average would keep after a gain; 0 where it keeps none."""
        columns = range(self.block_deflections.shape[1])
        if channels == "mean":
            kept = average.stem("mean", gain_db).kept
            return float(self.block_deflections[kept].mean()) if kept.any() else 0.0
        return max(self._channel(average, channel, gain_db) for channel in columns)

    def _channel(self, average: AverageResult, channel: int, gain_db: float) -> float:
        kept = average.channel(channel, gain_db).kept
        return float(self.block_deflections[kept, channel].mean()) if kept.any() else 0.0


class VuMeter:
    """The needle of each channel, at rest when the file begins."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        k = tan(RESONANCE_RAD_S / (2.0 * sample_rate_hz))
        d = 1.0 + 2.0 * DAMPING * k + k * k
        self._filter = np.array([k * k / d, 2.0 * (k * k - 1.0) / d, (1.0 - 2.0 * DAMPING * k + k * k) / d])
        self._memory = np.zeros((channels + channels % 2, 2))
        self._highest = np.zeros(channels)
        self._means = AverageMeter(channels, sample_rate_hz)

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        deflections = np.empty_like(block)
        _swing(block, self._filter, self._memory, self._highest, deflections)
        self._means.update(deflections)

    def result(self) -> VuResult:
        """Give the deflections of all that was fed."""
        return VuResult(self._means.result().block_means, self._highest.copy())


@sample_loop
def _swing(block: Samples, coefficients: Samples, memory: Samples, highest: Samples, out: Samples) -> None:
    """Move the needles, two channels side by side."""
    nothing = np.zeros(block.shape[0])
    for channel in range(0, block.shape[1], 2):
        two = channel + 1 < block.shape[1]
        left, right = block[:, channel], block[:, channel + 1] if two else nothing
        left_out, right_out = out[:, channel], out[:, channel + 1] if two else nothing
        top, other = _swing_pair(left, right, coefficients, memory[channel : channel + 2], left_out, right_out)
        highest[channel] = max(highest[channel], top)
        if two:
            highest[channel + 1] = max(highest[channel + 1], other)


@sample_loop
def _swing_pair(
    left: Samples, right: Samples, coefficients: Samples, memory: Samples, left_out: Samples, right_out: Samples
) -> tuple[float, float]:
    """Bilinear second-order low-pass on |x| * pi / 2, in transposed direct form II; gives the highest of each row."""
    b, a1, a2 = coefficients
    s1, s2 = memory[0]
    t1, t2 = memory[1]
    top = other = 0.0
    for i in range(left.shape[0]):
        x, u = abs(left[i]) * SINE_FORM * b, abs(right[i]) * SINE_FORM * b
        y, v = x + s1, u + t1
        s1, t1 = 2.0 * x - a1 * y + s2, 2.0 * u - a1 * v + t2
        s2, t2 = x - a2 * y, u - a2 * v
        left_out[i], right_out[i] = y, v
        top, other = max(top, y), max(other, v)
    for row, (first, second) in enumerate(((s1, s2), (t1, t2))):
        faded = abs(first) + abs(second) < FADED
        memory[row, 0], memory[row, 1] = (0.0, 0.0) if faded else (first, second)
    return top, other
