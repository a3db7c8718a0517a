"""Runs: stretches of samples of one channel that all lie between two values, such as zero, or the top code and up."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.meters.peak import Samples
from stager.model.run_summary import NO_RUNS, RunSummary
from stager.model.runs import Runs
from stager.system.jit import sample_loop

MOST_STARTS: Final = 20
"""Runs whose start a summary lists; all are counted."""
SILENCE_FRAMES: Final = 1024
"""A run of exact zeros this long is digital silence, which dither leaves as it is; no recorded sound contains one."""


class RunMeter:
    """Finds every run of at least `shortest_frames` samples x with low <= x <= high, by channel."""

    def __init__(self, channels: int, low: float, high: float, shortest_frames: int) -> None:
        self._range = (low, high)
        self._shortest = shortest_frames
        self._started = np.full(channels, -1, np.int64)
        self._frames = 0
        self._found: list[NDArray[np.int64]] = []

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        room = block.shape[1] * (len(block) // (self._shortest + 1) + 2)
        found = np.empty((room, 3), np.int64)
        count = _find(block, *self._range, self._shortest, self._frames, self._started, found)
        if count:
            self._found.append(found[:count].copy())
        self._frames += len(block)

    def taken(self) -> Runs:
        """Return the runs that have ended since the last call, and drop them."""
        found, self._found = self._found, []
        rows = np.concatenate((*found, np.zeros((0, 3), np.int64)))
        return Runs(rows[:, 0], rows[:, 1], rows[:, 2])

    def result(self) -> Runs:
        """Return the runs of the whole file; one that lasts to its end counts."""
        lasting = [(c, s, self._frames) for c, s in enumerate(self._started.tolist()) if s >= 0]
        lasting = [run for run in lasting if run[2] - run[1] >= self._shortest]
        found = np.concatenate((*self._found, np.array(lasting, np.int64).reshape(-1, 3)))
        return Runs(found[:, 0].copy(), found[:, 1].copy(), found[:, 2].copy())


class RunSummaryMeter:
    """Counts the runs in several ranges in bounded memory; ranges are (low, high) as for `RunMeter`."""

    def __init__(self, channels: int, ranges: Sequence[tuple[float, float]], shortest_frames: int) -> None:
        self._meters = [RunMeter(channels, low, high, shortest_frames) for low, high in ranges]
        self._summary = NO_RUNS

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        for meter in self._meters:
            meter.update(block)
            self._summary = _added(self._summary, meter.taken())

    def result(self) -> RunSummary:
        """Return the summary of the whole file; a run that lasts to its end counts."""
        summary = self._summary
        for meter in self._meters:
            summary = _added(summary, meter.result())
        return summary


def _added(summary: RunSummary, runs: Runs) -> RunSummary:
    if not len(runs):
        return summary
    lengths = runs.stops - runs.starts
    longest = int(np.lexsort((runs.starts, -lengths))[0])
    start, frames = int(runs.starts[longest]), int(lengths[longest])
    is_longer = (frames, -start) > (summary.longest_frames, -summary.longest_start)
    return RunSummary(
        summary.count + len(runs),
        summary.total_frames + runs.total_frames,
        tuple(sorted({*summary.channels, *np.unique(runs.channels).tolist()})),
        tuple(sorted((*summary.starts, *np.sort(runs.starts)[:MOST_STARTS].tolist()))[:MOST_STARTS]),
        start if is_longer else summary.longest_start,
        frames if is_longer else summary.longest_frames,
    )


def silence_meter(channels: int) -> RunMeter:
    """Return a meter that finds digital silence: runs of `SILENCE_FRAMES` zeros or more."""
    return RunMeter(channels, 0.0, 0.0, SILENCE_FRAMES)


@sample_loop
def _find(
    block: Samples,
    low: float,
    high: float,
    shortest: int,
    first_frame: int,
    started: NDArray[np.int64],
    found: NDArray[np.int64],
) -> int:
    """Write each run that ends in this block as (channel, start, stop) in frames of the file; return their number.

    A run is at least `shortest` samples from `low` to `high`. `started` has for each channel where the run began that
    is still open at the end of the block, or -1. Of samples that lie `shortest` apart each run holds at least one, so
    only those are examined first.
    """
    count = 0
    frames = block.shape[0]
    for channel in range(block.shape[1]):
        row = block[:, channel]
        free = 0
        if started[channel] >= 0:
            free = _run_end(row, low, high, 0)
            if free == frames:
                continue
            if first_frame + free - started[channel] >= shortest:
                found[count, 0], found[count, 1], found[count, 2] = channel, started[channel], first_frame + free
                count += 1
        probe = free + shortest - 1
        while probe < frames:
            if low <= row[probe] <= high:
                start, free = _run_start(row, low, high, probe, free), _run_end(row, low, high, probe)
                if free < frames and free - start >= shortest:
                    found[count, 0], found[count, 1], found[count, 2] = channel, first_frame + start, first_frame + free
                    count += 1
                probe = free
            probe += shortest
        last = _run_start(row, low, high, frames, 0)
        started[channel] = first_frame + last if last < frames else -1
    return count


@sample_loop
def _run_end(row: Samples, low: float, high: float, position: int) -> int:
    """Return the first frame from `position` on that is outside the range, or the end of the row."""
    while position < row.shape[0] and low <= row[position] <= high:
        position += 1
    return position


@sample_loop
def _run_start(row: Samples, low: float, high: float, position: int, least: int) -> int:
    """Return the first frame of the stretch inside the range that ends just before `position`, at `least` or later."""
    while position > least and low <= row[position - 1] <= high:
        position -= 1
    return position
