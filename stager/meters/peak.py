"""Sample peak: the largest absolute sample of each channel, and where it is first reached."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stager.system.jit import sample_loop

Samples = NDArray[np.float64]


@dataclass(frozen=True)
class Peaks:
    """One peak a channel: `linear` (1.0 is full scale) and `at_frames`, its place, with fractions between samples."""

    linear: tuple[float, ...]
    at_frames: tuple[float, ...]


class SamplePeakMeter:
    """The largest absolute sample value, by channel.

    Source: peak level as in AES17, the largest sample in relation to full scale.
    """

    def __init__(self, channels: int) -> None:
        self._peaks = np.zeros(channels)
        self._places = np.zeros(channels, np.int64)
        self._frames = 0

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        _scan(block, self._frames, self._peaks, self._places)
        self._frames += len(block)

    def result(self) -> Peaks:
        """Return the peaks so far."""
        return Peaks(tuple(self._peaks.tolist()), tuple(map(float, self._places)))


@sample_loop
def _scan(block: Samples, first_frame: int, peaks: Samples, places: NDArray[np.int64]) -> None:
    for channel in range(block.shape[1]):
        peak = peaks[channel]
        for i in range(block.shape[0]):
            value = abs(block[i, channel])
            if value > peak:
                peak = value
                places[channel] = first_frame + i
        peaks[channel] = peak
