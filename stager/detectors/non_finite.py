"""Samples that are not finite or beyond any level: counted, and set to 0 before other meters see them."""

from typing import Final

from stager.meters.peak import Samples
from stager.system.jit import sample_loop

LARGEST_LINEAR: Final = 1e18
"""A float beyond it (+360 dBFS) is damage, not a level; the sum of its squares would soon exceed float64."""


class FiniteMeter:
    """Counts NaN, infinities and values beyond any level, and keeps the frame of the first."""

    def __init__(self) -> None:
        self.count = 0
        self.first_frame: int | None = None
        self._frames = 0

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels), and set such samples to 0 in place."""
        count, first = _clean(block)
        if count and self.first_frame is None:
            self.first_frame = self._frames + first
        self.count += count
        self._frames += len(block)


@sample_loop
def _clean(block: Samples) -> tuple[int, int]:
    """Set such samples to 0; return how many there were, and the frame of the first, or -1."""
    count, first = 0, -1
    for i in range(block.shape[0]):
        for channel in range(block.shape[1]):
            if not abs(block[i, channel]) <= LARGEST_LINEAR:
                block[i, channel] = 0.0
                count += 1
                if first < 0:
                    first = i
    return count, first
