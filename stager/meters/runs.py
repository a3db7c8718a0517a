"""Runs: stretches of samples of one channel that all lie between two values, such as zero, or the top code and up."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.compiled import sample_loop
from stager.meters.peak import Samples
from stager.model.runs import Runs

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

    def result(self) -> Runs:
        """Give the runs of all that was fed; one that lasts to the end counts."""
        lasting = [(c, s, self._frames) for c, s in enumerate(self._started.tolist()) if s >= 0]
        lasting = [run for run in lasting if run[2] - run[1] >= self._shortest]
        found = np.concatenate((*self._found, np.array(lasting, np.int64).reshape(-1, 3)))
        return Runs(found[:, 0].copy(), found[:, 1].copy(), found[:, 2].copy())


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
    """Write (channel, start, stop) of each run that ends in this block; `started` holds the open ones, or -1."""
    count = 0
    for channel in range(block.shape[1]):
        start = started[channel]
        for i in range(block.shape[0]):
            inside = low <= block[i, channel] <= high
            if inside and start < 0:
                start = first_frame + i
            elif not inside and start >= 0:
                if first_frame + i - start >= shortest:
                    found[count, 0], found[count, 1], found[count, 2] = channel, start, first_frame + i
                    count += 1
                start = -1
        started[channel] = start
    return count
