"""The loudest windows of a stereo file: few places to look at closely, chosen where both sides play.

The file is cut into windows of equal length. The first eight are all given; of every ten that follow, the loudest one,
where a window is as loud as the quieter of its two sides. A window whose quieter side lies under -70 dBFS is not given.
The last window may be filled up with zeros.
"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from stager.compiled import sample_loop
from stager.meters.peak import Samples
from stager.units import power_from_dbfs_rms

FIRST: Final = 8
"""Windows that are all given, so that a short take is heard as a whole (own figure)."""
ONE_OF: Final = 10
"""After those, one window of so many (own figure: about 40 windows in four minutes take a twentieth of a second)."""
QUIETEST_DBFS: Final = -70.0
"""The gate of the average."""


class LoudestWindows:
    """Gives the loudest windows of two channels while the file passes; any cut of the blocks gives the same ones."""

    def __init__(self, frames: int) -> None:
        self._open = np.zeros((frames, 2))
        self._best = np.zeros((frames, 2))
        self._filled = self._count = 0
        self._best_power = 0.0

    def update(self, block: Samples) -> Iterator[Samples]:
        """Take in the next block, (frames, 2), and give each window (frames, 2) that is chosen.

        A window is good until the next one is asked for; all must be asked for.
        """
        length, place = len(self._open), 0
        while place < len(block):
            if not self._filled and len(block) - place >= length:
                yield from self._considered(block[place : place + length])
                place += length
                continue
            part = block[place : place + length - self._filled]
            self._open[self._filled : self._filled + len(part)] = part
            self._filled += len(part)
            place += len(part)
            if self._filled == length:
                self._filled = 0
                yield from self._considered(self._open)

    def rest(self) -> Samples | None:
        """Give what would be chosen if the file ended here, or None; the choice goes on unchanged."""
        last = np.zeros_like(self._open)
        last[: self._filled] = self._open[: self._filled]
        power = _shared_power(last[: self._filled]) * self._filled / len(last) if self._filled else 0.0
        best = max(power, self._best_power)
        if best < power_from_dbfs_rms(QUIETEST_DBFS):
            return None
        return last if power > self._best_power else self._best

    def _considered(self, window: Samples) -> Iterator[Samples]:
        power = _shared_power(window)
        if power > self._best_power:
            self._best[:] = window
            self._best_power = power
        self._count += 1
        if self._count <= FIRST or (self._count - FIRST) % ONE_OF == 0:
            chosen, self._best_power = self._best_power, 0.0
            if chosen >= power_from_dbfs_rms(QUIETEST_DBFS):
                yield self._best


@sample_loop
def _shared_power(window: Samples) -> float:
    """The mean square of the quieter side, summed in two lanes so that no sample waits for the one before."""
    left = right = left_too = right_too = 0.0
    frames = window.shape[0]
    for i in range(0, frames - 1, 2):
        left += window[i, 0] * window[i, 0]
        right += window[i, 1] * window[i, 1]
        left_too += window[i + 1, 0] * window[i + 1, 0]
        right_too += window[i + 1, 1] * window[i + 1, 1]
    if frames % 2:
        left += window[frames - 1, 0] * window[frames - 1, 0]
        right += window[frames - 1, 1] * window[frames - 1, 1]
    return float(min(left + left_too, right + right_too) / frames)
