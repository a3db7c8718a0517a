"""What is left while the part pauses: the noise floor.

Quiet blocks are the 400 ms of the average, here each without its own mean, since a lopsided part shifts the whole
file's; they lie at least 20 dB under the average and hold no 100 ms of digital zero. The floor is the 10th percentile
of their powers, where they cover 1 s in all. Source: the percentile and the distance are common practice, no source.
"""

from typing import Final

import numpy as np

from stager.meters.average import AverageResult
from stager.meters.hops import BLOCK_HOPS, HOPS_PER_S
from stager.units import power_from_db

UNDER_AVERAGE_DB: Final = -20.0
PERCENTILE: Final = 0.10
SHORTEST_S: Final = 1.0


def noise_floor_power(average: AverageResult, channel: int) -> float | None:
    """Give the mean square of a channel's noise floor, or None where the part never pauses for 1 s in all."""
    part = average.channel(channel).power
    if part is None:
        return None
    powers = average.block_powers[:, channel] - (average.block_means[:, channel] - average.means[channel]) ** 2
    quiet = (powers <= part * power_from_db(UNDER_AVERAGE_DB)) & ~average.has_zeros[:, channel] & (powers > 0.0)
    covered = np.zeros(powers.size + BLOCK_HOPS - 1, np.bool_)
    for hop in range(BLOCK_HOPS):
        covered[hop : hop + powers.size] |= quiet
    if covered.sum() < SHORTEST_S * HOPS_PER_S:
        return None
    ordered = np.sort(powers[quiet])
    return float(ordered[round((ordered.size - 1) * PERCENTILE)])
