"""Overview: the smallest and largest sample of at most 1,000 equal stretches, for pictures."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.meters.lanes import lowest_and_highest
from stager.meters.peak import Samples
from stager.system.jit import sample_loop

MAX_PAIRS: Final = 1000


@dataclass(frozen=True, eq=False)
class Overview:
    """`pairs`, (channels, stretches, 2): smallest and largest sample of each stretch of `stretch_frames` frames."""

    pairs: NDArray[np.float64]
    stretch_frames: int


class OverviewMeter:
    """Smallest and largest sample of each stretch of a file whose length is known."""

    def __init__(self, channels: int, frames: int) -> None:
        self._stretch = max(1, -(-frames // MAX_PAIRS))
        self._pairs = np.zeros((channels, -(-frames // self._stretch), 2))
        self._frames = 0

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        _widen(block, self._frames, self._stretch, self._pairs)
        self._frames += len(block)

    def result(self) -> Overview:
        """Return the pairs so far; a stretch that nothing was fed for is (0, 0)."""
        return Overview(self._pairs.copy(), self._stretch)


@sample_loop
def _widen(block: Samples, first_frame: int, stretch: int, pairs: NDArray[np.float64]) -> None:
    for channel in range(block.shape[1]):
        start = 0
        while start < block.shape[0]:
            place = (first_frame + start) // stretch
            stop = min(block.shape[0], (place + 1) * stretch - first_frame)
            low, high = lowest_and_highest(block[start:stop, channel])
            fresh = first_frame + start == place * stretch
            pairs[channel, place, 0] = low if fresh else min(low, pairs[channel, place, 0])
            pairs[channel, place, 1] = high if fresh else max(high, pairs[channel, place, 1])
            start = stop
