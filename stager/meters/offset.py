"""The constant part of a channel: the median of the means of its 400 ms blocks.

A median, and not the mean of the file, since a few strong strokes that lean to one side move a mean; and beside it the
median over the quietest quarter of the blocks, since such strokes lean while they sound, and an offset stays when they
are over. Source: the median is common practice, no source; the quiet quarter is our own figure.
Strokes that lean and come every 0.4 s to the sample fill all blocks alike, and are taken for an offset.
"""

from typing import Final

import numpy as np

from stager.meters.average import AverageResult
from stager.meters.hops import BLOCK_HOPS, HOPS_PER_S
from stager.model.condition import Offset

QUIET_SHARE: Final = 0.25


def offset_of(average: AverageResult, channel: int) -> Offset | None:
    """Give the constant part of one channel (from 0), or None where it is digital silence, or nearly so."""
    used = ~average.has_zeros[:, channel]
    if not used.any():
        return None
    means = average.block_means[used, channel]
    powers = average.block_powers[used, channel] - (means - average.means[channel]) ** 2
    median = float(np.median(means))
    quiet = means[np.argsort(powers, kind="stable")[: max(1, round(QUIET_SHARE * means.size))]]
    return Offset(
        median_linear=median,
        same_sign_ratio=float((np.sign(means) == np.sign(median)).mean()),
        quiet_linear=float(np.median(quiet)),
        covered_s=_covered_s(used),
    )


def _covered_s(used: np.typing.NDArray[np.bool_]) -> float:
    """How many seconds the blocks cover together."""
    hops = np.zeros(used.size + BLOCK_HOPS - 1, np.bool_)
    for hop in range(BLOCK_HOPS):
        hops[hop : hop + used.size] |= used
    return float(hops.sum()) / HOPS_PER_S
