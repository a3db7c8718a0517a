"""The loudest moment of a file, and the peak and average without it, so that a bump does not set the gain.

The event reaches from 0.2 s before the 100 ms with the highest sample to 1.0 s after them, and further while it decays:
a stroke and all that rings on (empirical: the advice lines of the proofs "takes" and "advice").
"""

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from stager.meters.average import AverageResult
from stager.meters.hops import BLOCK_HOPS, HOPS_PER_S, HopClock, Rows
from stager.meters.lanes import largest_abs
from stager.meters.peak import Samples
from stager.model.condition import LoudestEvent
from stager.system.jit import sample_loop
from stager.units import db_from_linear, dbfs_rms_from_power

BEFORE_HOPS: Final = 2
AFTER_HOPS: Final = 10
DECAY_HOPS: Final = 5
DECAY_LINEAR: Final = 0.89
"""A stroke rings on where the peak of each half second is at least 1 dB under that of the one before (own figure: a
decay of 60 dB within 30 s; the notes of a part that goes on are as loud as those before)."""


@dataclass(frozen=True, eq=False)
class HopPeaks:
    """`linear`, (hops,): the largest absolute sample of any channel in every 100 ms; 1.0 is full scale."""

    linear: Samples

    def loudest(self, average: AverageResult, channels: Literal["loudest", "mean"]) -> LoudestEvent | None:
        """Return the loudest event, and peak and average outside it; None in silence. `average` is of the same file."""
        if not self.linear.size or not self.linear.max():
            return None
        at = int(self.linear.argmax())
        first, stop = max(0, at - BEFORE_HOPS), self._decay_end(min(self.linear.size, at + AFTER_HOPS + 1))
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

    def _decay_end(self, stop: int) -> int:
        """Return the hop at which the decay ends that goes on at hop `stop`; `stop` where none does."""
        before = float(self.linear[max(0, stop - DECAY_HOPS) : stop].max())
        while stop < self.linear.size:
            peak = float(self.linear[stop : stop + DECAY_HOPS].max())
            if peak > DECAY_LINEAR * before:
                break
            stop, before = min(self.linear.size, stop + DECAY_HOPS), peak
        return stop


class LoudestEventMeter:
    """Measures the highest sample of every 100 ms, over all channels; hop edges lie at round(k * rate / 10)."""

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
        """Return the peaks of the hops; the last hop may be shorter."""
        unfinished = self._clock.frames > self._clock.edge(self._clock.hops)
        return HopPeaks(np.append(self._hops.all(), [self._open[0]] * unfinished))


@sample_loop
def _find_peaks(block: Samples, edges: NDArray[np.int64], running: Samples, out: Samples) -> None:
    """Write the peak over all channels up to each edge; `running` holds that of the unfinished hop."""
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
    """Return the average of the blocks that touch no hop from `first` up to `stop`, in dBFS RMS of a sine."""
    starts = np.arange(len(average.block_powers))
    kept = (starts + BLOCK_HOPS <= first) | (starts >= stop)
    if not kept.any():
        return None
    power = replace(average, block_powers=average.block_powers[kept]).stem(channels).power
    return None if power is None else dbfs_rms_from_power(power)
