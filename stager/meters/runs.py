"""Runs: stretches of samples of one channel that all lie between two values, such as zero, or the top code and up."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.compiled import sample_loop
from stager.meters.peak import Samples
from stager.model.runs import NO_RUNS, Runs, RunSummary

MOST_STARTS: Final = 20
"""Places that a summary lists; all runs are counted."""
SILENCE_FRAMES: Final = 1024
"""A run of exact zeros this long is digital silence, which no part produces by itself (own figure)."""


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
        """Give the runs that have ended since the last call, and forget them."""
        found, self._found = self._found, []
        rows = np.concatenate((*found, np.zeros((0, 3), np.int64)))
        return Runs(rows[:, 0], rows[:, 1], rows[:, 2])

    def result(self) -> Runs:
        """Give the runs of all that was fed; one that lasts to the end counts."""
        lasting = [(c, s, self._frames) for c, s in enumerate(self._started.tolist()) if s >= 0]
        lasting = [run for run in lasting if run[2] - run[1] >= self._shortest]
        found = np.concatenate((*self._found, np.array(lasting, np.int64).reshape(-1, 3)))
        return Runs(found[:, 0].copy(), found[:, 1].copy(), found[:, 2].copy())


class RunSummaryMeter:
    """Sums up every run in one of several ranges, in bounded memory; ranges are (low, high) as for `RunMeter`."""

    def __init__(self, channels: int, ranges: Sequence[tuple[float, float]], shortest_frames: int) -> None:
        self._meters = [RunMeter(channels, low, high, shortest_frames) for low, high in ranges]
        self._summary = NO_RUNS

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        for meter in self._meters:
            meter.update(block)
            self._summary = _added(self._summary, meter.taken())

    def result(self) -> RunSummary:
        """Sum up the runs of all that was fed; one that lasts to the end counts."""
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
    """Give a meter that finds digital silence: runs of exact zeros that no part produces by itself."""
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
    """Write (channel, start, stop) of each run that ends in this block; `started` holds the open ones, or -1.

    A run that is long enough covers a sample in every stretch of `shortest`, so only those are looked at.
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
def _run_end(row: Samples, low: float, high: float, place: int) -> int:
    """The first frame from `place` on that is outside the range, or the end of the row."""
    while place < row.shape[0] and low <= row[place] <= high:
        place += 1
    return place


@sample_loop
def _run_start(row: Samples, low: float, high: float, place: int, least: int) -> int:
    """The first frame of the stretch inside the range that ends just before `place`, at `least` or later."""
    while place > least and low <= row[place - 1] <= high:
        place -= 1
    return place
