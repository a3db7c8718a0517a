"""Runs: stretches of consecutive samples of one channel that share a property, such as resting at full scale."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Runs:
    """Stretches in order of their end, as three arrays of equal length: channel (from 0), first frame, frame behind."""

    channels: NDArray[np.int64]
    starts: NDArray[np.int64]
    stops: NDArray[np.int64]

    def __len__(self) -> int:
        """Return the number of stretches."""
        return len(self.starts)

    @property
    def total_frames(self) -> int:
        """Their lengths added up, in samples of one channel."""
        return int((self.stops - self.starts).sum())

    def between(self, first: int, last: int) -> Iterator[tuple[int, int, int]]:
        """Yield (channel, start, stop) of each stretch that reaches into the frames from `first` up to `last`."""
        for index in np.flatnonzero((self.starts < last) & (self.stops > first)):
            yield int(self.channels[index]), int(self.starts[index]), int(self.stops[index])


def no_runs() -> Runs:
    """Return an empty set of runs."""
    empty = np.zeros(0, np.int64)
    return Runs(empty, empty, empty)
