"""Finds samples that are no numbers, and takes them out of what the other meters see."""

from typing import Final

from stager.compiled import sample_loop
from stager.meters.peak import Samples

LARGEST_LINEAR: Final = 1e18
"""Beyond it (+360 dBFS) a float is damage, no level; its square would soon leave float64 (own figure)."""


class FiniteMeter:
    """Counts NaN, infinities and values beyond any level, and remembers the first."""

    def __init__(self) -> None:
        self.count = 0
        self.first_frame: int | None = None
        self._frames = 0

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels), and set what is no number to 0 in place."""
        count, first = _clean(block)
        if count and self.first_frame is None:
            self.first_frame = self._frames + first
        self.count += count
        self._frames += len(block)


@sample_loop
def _clean(block: Samples) -> tuple[int, int]:
    """Set what is no number to 0; give how many there were, and the frame of the first."""
    count, first = 0, -1
    for i in range(block.shape[0]):
        for channel in range(block.shape[1]):
            if not abs(block[i, channel]) <= LARGEST_LINEAR:
                block[i, channel] = 0.0
                count += 1
                if first < 0:
                    first = i
    return count, first
