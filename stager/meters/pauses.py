"""The pause in which a part's noise is heard by itself: quiet, and steady as no decaying note is.

Ten blocks of 400 ms in a row (1.3 s), each at least 20 dB under the average and without 100 ms of digital zeros, whose
levels stay within 3 dB of each other; of several such stretches the quietest. A note that rings out falls by more,
where it takes less than 18 s for 60 dB. Source: 20 dB as for the noise floor; length and spread are our own figures.
"""

from typing import Final

import numpy as np

from stager.meters.average import AverageResult
from stager.meters.hops import BLOCK_HOPS, HOPS_PER_S
from stager.meters.quiet import UNDER_AVERAGE_DB
from stager.model.condition import Pause
from stager.units import dbfs_rms_from_power, power_from_db

BLOCKS: Final = 10
SPREAD_DB: Final = 3.0


def steady_pause(average: AverageResult, channel: int) -> Pause | None:
    """Give the quietest steady pause of a channel (from 0), or None where there is none."""
    part = average.channel(channel).power
    powers = average.block_powers[:, channel] - (average.block_means[:, channel] - average.means[channel]) ** 2
    if part is None or powers.size < BLOCKS:
        return None
    quiet = (powers <= part * power_from_db(UNDER_AVERAGE_DB)) & ~average.has_zeros[:, channel] & (powers > 0.0)
    stretches = np.lib.stride_tricks.sliding_window_view(np.where(quiet, powers, np.inf), BLOCKS)
    highest = stretches.max(axis=1)
    steady = np.isfinite(highest) & (highest <= stretches.min(axis=1) * power_from_db(SPREAD_DB))
    if not steady.any():
        return None
    best = int(np.where(steady, highest, np.inf).argmin())
    level = dbfs_rms_from_power(float(stretches[best].mean()))
    length_s = (BLOCKS + BLOCK_HOPS - 1) / HOPS_PER_S
    return None if level is None else Pause(at_s=best / HOPS_PER_S, length_s=length_s, level_dbfs=level)
