"""Buffers that come twice, one right after the other, equal to the sample.

`README.md` in this folder says what the signal looks like, which features are computed, and what decides.
"""

from typing import Final

import numpy as np

from stager.detectors.repeat_loops import LONGEST, PLACES, SHORTEST, find_repeats
from stager.meters.peak import Samples
from stager.model.damage import Gap

HISTORY: Final = 2 * LONGEST + 64
"""Frames before a block that a repetition may reach back to."""
MOST_POSITIONS: Final = 20
"""Repetitions that a result lists."""


class RepeatMeter:
    """Finds buffers that come twice, one right after the other; any cut into blocks gives the same."""

    def __init__(self, channels: int) -> None:
        self._kept = np.zeros((HISTORY, channels))
        self._first = -HISTORY
        self._states = np.zeros((channels, 4), np.int64)
        self._places = np.full((channels, PLACES), -HISTORY - 1, np.int64)
        self.found: list[tuple[int, int, int]] = []

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        window = np.concatenate((self._kept, block))
        found = np.empty((len(block) // SHORTEST + 1, 2), np.int64)
        for channel in range(block.shape[1]):
            row = np.ascontiguousarray(window[:, channel])
            state, places = self._states[channel], self._places[channel]
            count = find_repeats(row, row.view(np.int64), HISTORY, self._first, state, places, found)
            self.found += [(start, frames, channel) for start, frames in found[:count].tolist()]
        self._kept = window[len(block) :].copy()
        self._first += len(block)

    def result(self) -> tuple[Gap, ...]:
        """Return where a buffer begins a second time, with its frames, in order of time: the first of many."""
        places = sorted(self.found)[:MOST_POSITIONS]
        return tuple(
            Gap(channel=channel, start=start, frames=frames, value_linear=0.0) for start, frames, channel in places
        )
