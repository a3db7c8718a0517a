"""The constant part of a channel: the median of the means of its 400 ms blocks.

A median, not the mean of the file, since a few strong asymmetric strokes move a mean; and beside it the median over the
quietest quarter of the blocks, since strokes are asymmetric only while they sound and an offset remains after them.
Asymmetric strokes exactly 0.4 s apart fill all blocks alike and are taken for an offset.
An offset that is there for a part of the file alone, half a second at least, is seen where it is no smaller than a
quarter of the RMS of the sound: the mean of a drum's stroke over 400 ms is a twentieth of its RMS.
Source: the median is common practice, no source; the quiet quarter is an assumption, checked by the proof "takes".
"""

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.meters.average import AverageResult
from stager.meters.hops import BLOCK_HOPS, HOPS_PER_S
from stager.meters.peak import Samples
from stager.model.condition import Offset, OffsetStretch

QUIET_SHARE: Final = 0.25
SOUND_RATIO: Final = 0.25
"""Mean over RMS of the sound in the strongest block of a stretch (own figure: five times that of a drum's stroke)."""
LEAST_LINEAR: Final = 1e-5
"""A mean under it is none: a third of a code of 16 bits."""
LEAST_S: Final = 0.5
"""A stretch's least length, as read from block to block of 0.1 s."""
CLEAN_RATIO: Final = 0.75
"""RMS over mean of its strongest block under which no edge lies in it; where 0.25 s lie off zero, it has 0.77."""
HALF: Final = 0.499
TOP: Final = 0.9
HALF_BLOCK_S: Final = 0.2
ROUNDING_S: Final = 0.05


def offset_of(average: AverageResult, channel: int) -> Offset | None:
    """Return the constant part of one channel (from 0), or None where every block holds 100 ms of digital zeros."""
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
        stretch=_stretch(average, channel, used),
    )


def _stretch(average: AverageResult, channel: int, used: NDArray[np.bool_]) -> OffsetStretch | None:
    """Return the longest stretch in which the mean is large against the sound; of several, the strongest."""
    means = average.block_means[:, channel]
    sound = np.sqrt(np.maximum(0.0, average.block_powers[:, channel] - (means - average.means[channel]) ** 2))
    signs = np.where(used & (np.abs(means) >= LEAST_LINEAR), np.sign(means), 0.0)
    edges = [0, *(np.flatnonzero(np.diff(signs)) + 1).tolist(), means.size]
    runs = [_core(means, sound, first, stop) for first, stop in pairwise(edges) if signs[first]]
    return max((run for run in runs if run), key=lambda run: (run.length_s, abs(run.level_linear)), default=None)


def _core(means: Samples, sound: Samples, first: int, stop: int) -> OffsetStretch | None:
    """Return the part of a run of blocks with more than half of its largest mean; None under half a second.

    At an edge of the stretch half of a block lies in it, at an edge of the file all of one.
    """
    sizes = np.abs(means[first:stop])
    peak, high = first + int(sizes.argmax()), first + np.flatnonzero(sizes > HALF * sizes.max())
    start_s = high[0] / HOPS_PER_S + (HALF_BLOCK_S if high[0] else 0.0)
    stop_s = (high[-1] + BLOCK_HOPS) / HOPS_PER_S - (HALF_BLOCK_S if high[-1] < means.size - 1 else 0.0)
    ratio = sound[peak] / abs(means[peak])
    least_s = LEAST_S - ROUNDING_S - (HALF_BLOCK_S if ratio <= CLEAN_RATIO else 0.0)
    if ratio * SOUND_RATIO > 1.0 or stop_s - start_s < least_s:
        return None
    level = float(np.median(means[first:stop][sizes >= TOP * sizes.max()]))
    return OffsetStretch(at_s=float(start_s), length_s=max(LEAST_S, float(stop_s - start_s)), level_linear=level)


def _covered_s(used: NDArray[np.bool_]) -> float:
    """Return how many seconds the blocks cover together."""
    hops = np.zeros(used.size + BLOCK_HOPS - 1, np.bool_)
    for hop in range(BLOCK_HOPS):
        hops[hop : hop + used.size] |= used
    return float(hops.sum()) / HOPS_PER_S
