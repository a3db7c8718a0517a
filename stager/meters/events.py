"""The loudest moment of a file, and what its peak and average are without it: a bump must not set the gain.

The event reaches from 0.2 s before the tenth of a second with the highest sample to 1.0 s after it: a stroke and most
of what rings on (own figures).
"""

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from stager.compiled import sample_loop
from stager.meters.average import AverageResult
from stager.meters.hops import BLOCK_HOPS, HOPS_PER_S, HopClock
from stager.meters.lanes import largest_abs
from stager.meters.peak import Samples
from stager.meters.rows import Rows
from stager.model.condition import LoudestEvent
from stager.units import db_from_linear, dbfs_rms_from_power

BEFORE_HOPS: Final = 2
AFTER_HOPS: Final = 10


@dataclass(frozen=True, eq=False)
class HopPeaks:
    """`linear`, (hops,): the largest absolute sample of any channel in every 100 ms; 1.0 is full scale."""

    linear: Samples

    def loudest(self, average: AverageResult, channels: Literal["loudest", "mean"]) -> LoudestEvent | None:
        """Give the loudest event, and peak and average outside of it, given the average of the same file."""
        if not self.linear.size or not self.linear.max():
            return None
        at = int(self.linear.argmax())
        first, stop = max(0, at - BEFORE_HOPS), min(self.linear.size, at + AFTER_HOPS + 1)
        rest = float(max(self.linear[:first].max(initial=0.0), self.linear[stop:].max(initial=0.0)))
        peak_dbfs = db_from_linear(float(self.linear[at]))
        return (
            None
            if peak_dbfs is None
            else LoudestEvent(
                at_s=at / HOPS_PER_S,
                start_s=first / HOPS_PER_S,
                stop_s=stop / HOPS_PER_S,
                peak_dbfs=peak_dbfs,
                rest_peak_dbfs=db_from_linear(rest),
                rest_average_dbfs=_average_without(average, channels, first, stop),
            )
        )


class EventMeter:
    """The highest sample of every 100 ms, over all channels; hop edges lie at round(k * rate / 10)."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._clock = HopClock(sample_rate_hz)
        self._hops = Rows()
        self._open = np.zeros(1)

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        edges = self._clock.passed(len(block))
        peaks = np.empty(len(edges))
        _find_peaks(block, edges, self._open, peaks)
        self._hops.add(peaks)

    def result(self) -> HopPeaks:
        """Give the peaks of all that was fed; the last hop may be shorter."""
        unfinished = self._clock.frames > self._clock.edge(self._clock.hops)
        return HopPeaks(np.append(self._hops.all(), [self._open[0]] * unfinished))


@sample_loop
def _find_peaks(block: Samples, edges: NDArray[np.int64], running: Samples, out: Samples) -> None:
    """Raise the running peak by each sample of any channel, and hand it over at each edge."""
    start = 0
    for hop in range(edges.shape[0] + 1):
        stop = edges[hop] if hop < edges.shape[0] else block.shape[0]
        for channel in range(block.shape[1]):
            running[0] = max(running[0], largest_abs(block[start:stop, channel]))
        if hop < edges.shape[0]:
            out[hop] = running[0]
            running[0] = 0.0
        start = stop


def _average_without(
    average: AverageResult, channels: Literal["loudest", "mean"], first: int, stop: int
) -> float | None:
    """The average of the blocks that touch no hop from `first` up to `stop`, in dBFS RMS of a sine."""
    starts = np.arange(len(average.block_powers))
    kept = (starts + BLOCK_HOPS <= first) | (starts >= stop)
    if not kept.any():
        return None
    power = replace(average, block_powers=average.block_powers[kept]).stem(channels).power
    return None if power is None else dbfs_rms_from_power(power)
