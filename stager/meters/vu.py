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
from numpy.typing import NDArray

from stager.meters.average import AverageResult
from stager.meters.hops import BLOCK_HOPS, HopClock, LastFrames, Rows
from stager.meters.peak import Samples
from stager.system.jit import sample_loop

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
        """Return the mean deflection over the blocks that the average keeps after a gain; 0 where it keeps none."""
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
        self._highest = np.zeros(channels + channels % 2)
        self._channels = channels
        self._clock = HopClock(sample_rate_hz)
        self._hops = Rows(channels)
        self._open = np.zeros(channels)
        self._last = LastFrames(self._clock.edge(BLOCK_HOPS), channels)
        self._room = np.empty((0, channels))

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        edges = self._clock.passed(len(block))
        sums = np.empty((len(edges), self._channels))
        if len(self._room) < len(block):
            self._room = np.empty_like(block)
        out = self._room[: len(block)]
        _swing(block, self._filter, edges, self._memory, self._highest, self._open, sums, out)
        self._hops.add(sums)
        self._last.add(out)

    def result(self) -> VuResult:
        """Return the deflections of all that was fed; the meter has done its work then."""
        hops, whole = self._hops.taken(), self._clock.whole_blocks()
        _mean_of_blocks(hops, self._clock.block_edges())
        count = whole + self._clock.has_rest()
        means = hops[:count] if count <= len(hops) else np.empty((count, self._channels))
        if count > whole:
            means[-1] = self._last.samples.mean(axis=0)
        return VuResult(means, self._highest[: self._channels].copy())


@sample_loop
def _mean_of_blocks(hops: Samples, edges: NDArray[np.int64]) -> None:
    """Write the mean of each block, (blocks, channels), over its first hop."""
    for block in range(hops.shape[0] - BLOCK_HOPS + 1):
        for channel in range(hops.shape[1]):
            total = 0.0
            for hop in range(block, block + BLOCK_HOPS):
                total += hops[hop, channel]
            hops[block, channel] = total / (edges[block + BLOCK_HOPS] - edges[block])


@sample_loop
def _swing(
    block: Samples,
    coefficients: Samples,
    edges: NDArray[np.int64],
    memory: Samples,
    highest: Samples,
    running: Samples,
    sums: Samples,
    out: Samples,
) -> None:
    """Move the needles, two channels at a time; write the sum of their deflections at each edge."""
    nothing = np.zeros(block.shape[0])
    for channel in range(0, block.shape[1], 2):
        two = channel + 1 < block.shape[1]
        left, right = block[:, channel], block[:, channel + 1] if two else nothing
        left_out, right_out = out[:, channel], out[:, channel + 1] if two else nothing
        own, tops = memory[channel : channel + 2], highest[channel : channel + 2]
        start = 0
        for hop in range(edges.shape[0] + 1):
            stop = edges[hop] if hop < edges.shape[0] else block.shape[0]
            one, other = _swing_pair(
                left[start:stop],
                right[start:stop],
                coefficients,
                own,
                tops,
                left_out[start:stop],
                right_out[start:stop],
            )
            running[channel] += one
            if two:
                running[channel + 1] += other
            if hop < edges.shape[0]:
                for side in range(channel, channel + 1 + two):
                    sums[hop, side], running[side] = running[side], 0.0
            start = stop
        for row in own:
            if abs(row[0]) + abs(row[1]) < FADED:
                row[:] = 0.0


@sample_loop
def _swing_pair(
    left: Samples,
    right: Samples,
    coefficients: Samples,
    memory: Samples,
    highest: Samples,
    left_out: Samples,
    right_out: Samples,
) -> tuple[float, float]:
    """Bilinear second-order low-pass on |x| * pi / 2, in transposed direct form II; return the sum of each row.

    Sums are taken in two lanes, as those of the average are.
    """
    b, a1, a2 = coefficients
    s1, s2 = memory[0]
    t1, t2 = memory[1]
    top, other = highest
    even_left = even_right = odd_left = odd_right = 0.0
    for i in range(left.shape[0]):
        x, u = abs(left[i]) * SINE_FORM * b, abs(right[i]) * SINE_FORM * b
        y, v = x + s1, u + t1
        s1, t1 = 2.0 * x - a1 * y + s2, 2.0 * u - a1 * v + t2
        s2, t2 = x - a2 * y, u - a2 * v
        left_out[i], right_out[i] = y, v
        top, other = max(top, y), max(other, v)
        even_left, odd_left = odd_left, even_left + y
        even_right, odd_right = odd_right, even_right + v
    memory[0, 0], memory[0, 1], memory[1, 0], memory[1, 1] = s1, s2, t1, t2
    highest[0], highest[1] = top, other
    return even_left + odd_left, even_right + odd_right
