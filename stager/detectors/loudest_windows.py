"""The loudest windows of a stereo file: a sample of it to analyse closely, chosen where both sides play.

The file is cut into windows of equal length, and a window counts as loud as the quieter of its two sides. The first
eight are all chosen, then the loudest of every ten. A window whose quieter side lies under -70 dBFS is never chosen.
The last window may be padded with zeros.
"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from stager.meters.peak import Samples
from stager.system.jit import sample_loop
from stager.units import power_from_dbfs_rms

FIRST: Final = 8
"""Windows that are all chosen, so that a short take is analysed as a whole."""
ONE_OF: Final = 10
"""After those, one window of this many: about 40 windows in four minutes, 0.05 s of work."""
QUIETEST_DBFS: Final = -70.0
"""The gate of the average."""


class LoudestWindows:
    """Chooses the loudest windows of two channels while the file passes; any cut into blocks gives the same ones."""

    def __init__(self, frames: int) -> None:
        self._open = np.zeros((frames, 2))
        self._best = np.zeros((frames, 2))
        self._filled = self._count = 0
        self._best_power = 0.0

    def update(self, block: Samples) -> Iterator[Samples]:
        """Take in the next block, (frames, 2), and yield each window (frames, 2) that is chosen.

        A window is valid until the next one is requested; all must be requested.
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
        """Return the window that would be chosen if the file ended here, or None; the state is not changed."""
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
    """Return the mean square of the quieter side, summed in two lanes so that additions overlap."""
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
