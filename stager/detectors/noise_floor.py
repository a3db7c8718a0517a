"""The noise floor: the level that is left while the part pauses.

Quiet blocks are the 400 ms blocks of the average, here each without its own mean, since an asymmetric part shifts the
mean of the whole file; they lie at least 20 dB under the average and hold no 100 ms of digital zeros. The floor is the
10th percentile of their powers, where they cover 1 s in all. Source: the percentile and the distance are common
practice, no source.
"""

from typing import Final

import numpy as np

from stager.meters.average import AverageResult
from stager.meters.hops import BLOCK_HOPS, HOPS_PER_S
from stager.model.condition import Pause
from stager.units import dbfs_rms_from_power, power_from_db

UNDER_AVERAGE_DB: Final = -20.0
PERCENTILE: Final = 0.10
SHORTEST_S: Final = 1.0
FLOAT_BITS: Final = 24
"""Bits whose rounding counts as the least noise of a file that lies on no integer grid: those of a converter."""


def rounding_power(used_bits: int | None) -> float:
    """Return the mean square of rounding to the grid of these bits: what is quieter is no noise but a held code.

    Source: arithmetic, the square of a step over 12.
    """
    step = 2.0 ** (1 - min(used_bits or FLOAT_BITS, FLOAT_BITS))
    return step * step / 12.0


def noise_floor_power(average: AverageResult, channel: int, least_power: float = 0.0) -> float | None:
    """Return the mean square of a channel's noise floor, or None where the part never pauses for 1 s in all."""
    part = average.channel(channel).power
    if part is None:
        return None
    powers = average.block_powers[:, channel] - (average.block_means[:, channel] - average.means[channel]) ** 2
    quiet = (powers <= part * power_from_db(UNDER_AVERAGE_DB)) & ~average.has_zeros[:, channel] & (powers > least_power)
    covered = np.zeros(powers.size + BLOCK_HOPS - 1, np.bool_)
    for hop in range(BLOCK_HOPS):
        covered[hop : hop + powers.size] |= quiet
    if covered.sum() < SHORTEST_S * HOPS_PER_S:
        return None
    ordered = np.sort(powers[quiet])
    return float(ordered[round((ordered.size - 1) * PERCENTILE)])


BLOCKS: Final = 10
"""Blocks of a steady pause: 1.3 s."""
SPREAD_DB: Final = 3.0
"""Between the quietest and the loudest block of a steady pause, at most (common practice, no source)."""


def steady_pause(average: AverageResult, channel: int, least_power: float = 0.0) -> Pause | None:
    """Return the quietest steady pause of a channel (from 0), or None where there is none."""
    part = average.channel(channel).power
    powers = average.block_powers[:, channel] - (average.block_means[:, channel] - average.means[channel]) ** 2
    if part is None or powers.size < BLOCKS:
        return None
    quiet = (powers <= part * power_from_db(UNDER_AVERAGE_DB)) & ~average.has_zeros[:, channel] & (powers > least_power)
    stretches = np.lib.stride_tricks.sliding_window_view(np.where(quiet, powers, np.inf), BLOCKS)
    highest = stretches.max(axis=1)
    steady = np.isfinite(highest) & (highest <= stretches.min(axis=1) * power_from_db(SPREAD_DB))
    if not steady.any():
        return None
    best = int(np.where(steady, highest, np.inf).argmin())
    level = dbfs_rms_from_power(float(stretches[best].mean()))
    length_s = (BLOCKS + BLOCK_HOPS - 1) / HOPS_PER_S
    return None if level is None else Pause(at_s=best / HOPS_PER_S, length_s=length_s, level_dbfs=level)
