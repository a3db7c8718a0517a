"""Level step: the distance between the levels of a channel that was once stored with fewer bits.

Sound of 8 bits has at most 256 levels, and keeps their equal distances after any gain, to the rounding of the file. On
such a grid crests meet at one level by chance, and a quiet tone rests on one. Each channel has a gain, and so a step,
of its own. Source: arithmetic.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.meters.peak import Samples
from stager.model import StreamInfo

MOST_LEVELS: Final = 512
"""A channel with more levels than this lies on no coarse grid: 8 bits have 256."""
LEAST_LEVELS: Final = 24
"""Fewer levels show no grid: a square wave has two."""
COARSE_STEP: Final = 2.0**-13
"""A finer step than 4 codes of 16 bits, half of them to each side, is no coarse grid (arithmetic: rounding moves each
level by half a code)."""
OFF_SHARE: Final = 0.1
"""Distance of a level from its grid over the step, at most, beside the rounding of the file."""
FIRST_FRAMES: Final = 2048
"""Frames of a block that are looked at first: most sound has too many levels in them."""


class LevelStepMeter:
    """Collects the levels of each channel until there are too many; any cut into blocks gives the same."""

    def __init__(self, info: StreamInfo) -> None:
        self._levels: list[NDArray[np.float64] | None] = [np.zeros(0) for _ in range(info.channels)]
        self._rounding = 2.0 ** -min(info.valid_bits, 24) if info.encoding.is_integer else 0.0

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        for part in (block[:FIRST_FRAMES], block[FIRST_FRAMES:]):
            for channel, levels in enumerate(self._levels):
                if levels is not None and len(part):
                    more = np.unique(np.concatenate((levels, part[:, channel])))
                    self._levels[channel] = more if len(more) <= MOST_LEVELS else None

    def result(self, used_bits: int | None) -> tuple[float, ...]:
        """Return the step of each channel, 0 where it lies on no coarse grid; `used_bits` is the grid of the file."""
        of_file = 0.0 if used_bits is None else 2.0 ** (1 - used_bits)
        steps = [max(of_file, _step(levels, self._rounding)) for levels in self._levels]
        return tuple(step if step >= COARSE_STEP else 0.0 for step in steps)


def _step(levels: NDArray[np.float64] | None, rounding: float) -> float:
    """Return the common distance of levels in order, 0 where there is none.

    The step is about the median distance of neighbours; the number of steps between them is then a whole one.
    """
    if levels is None or len(levels) < LEAST_LEVELS:
        return 0.0
    apart = np.diff(levels)
    rough = float(np.median(apart))
    places = np.concatenate(([0.0], np.cumsum(np.rint(apart / rough))))
    centred = places - places.mean()
    step = float(centred @ (levels - levels.mean()) / (centred @ centred)) if centred.any() else 0.0
    off = float(np.max(np.abs(levels - levels.mean() - step * centred)))
    return step if off <= OFF_SHARE * step + 2.0 * rounding else 0.0
