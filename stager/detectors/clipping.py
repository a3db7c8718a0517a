"""Flat tops: crests that end at one level, as clipping leaves them; measured by channel and side while a file passes.

`README.md` in this folder says what the signal looks like, which features are computed, and how they are judged.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from stager.detectors.clipping_loops import (
    BINS,
    CONTEXT,
    CURVATURE_SUM,
    DISTINCT_SHAPES,
    EVENTS,
    FLAT,
    FLAT_FRAMES,
    FRAMES,
    LONGEST,
    LONGEST_AT,
    MOST_FRAMES,
    MOST_SHAPED,
    MOST_STARTS,
    PAIRS,
    SHAPES,
    SHORT,
    STEEP_SUM,
    STEPPED,
    VARIED,
    Side,
    chunk_extents,
    empty_side,
    scan_crests,
)
from stager.meters.peak import Samples
from stager.model import StreamInfo
from stager.model.damage import FlatTop

FINE_BITS: Final = 24
COARSE_BITS: Final = 16


class Scale(NamedTuple):
    """A tolerance: levels are counted in bins of width `step`, a top is what lies within `reach` of its highest sample.

    The first `bins` bins under the extreme count as the extreme itself.
    """

    step: float
    reach: float
    bins: int


def _scales(info: StreamInfo) -> tuple[Scale, ...]:
    """Return the tolerances for a stream: equal samples; dither of its own grid; dither of 16 bits stored finer.

    TPDF dither with rounding spreads one level over four codes at most (arithmetic: 1 step and 1/2 to either side).
    """
    bits = min(FINE_BITS, info.valid_bits) if info.encoding.is_integer else FINE_BITS
    step, coarse = 2.0 ** (1 - bits), 2.0 ** (1 - COARSE_BITS)
    exact = Scale(step, step / 4.0, 1)
    return (exact, *(Scale(size, 3.25 * size, 4) for size in sorted({step, max(step, coarse)})))


class FlatTopMeter:
    """Measures the tops at the extremes of each channel in bounded memory; any cut into blocks gives the same."""

    def __init__(self, info: StreamInfo) -> None:
        self._channels, self._scales = info.channels, _scales(info)
        self._limits = np.array([(scale.step, scale.reach) for scale in self._scales])
        self._sides = [[empty_side(len(self._scales)) for _ in (1.0, -1.0)] for _ in range(info.channels)]
        self._kept = np.zeros((CONTEXT, info.channels))
        self._positions = np.full((info.channels, 2), CONTEXT, np.int64)
        self._first = -CONTEXT

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        window = np.concatenate((self._kept, block))
        self._scan(window)
        cut = int(self._positions.min()) - CONTEXT
        self._kept = window[cut:].copy()
        self._positions -= cut
        self._first += cut

    def result(self) -> tuple[FlatTop, ...]:
        """Return one entry for each channel, side and tolerance that has tops; silence follows the last sample."""
        self.update(np.zeros((MOST_FRAMES + CONTEXT, self._channels)))
        found = []
        for channel, sides in enumerate(self._sides):
            for sign, side in zip((1.0, -1.0), sides, strict=True):
                found += [
                    _flat_top(channel, sign, scale, number, side)
                    for number, scale in enumerate(self._scales)
                    if side.highest[number] > 0
                ]
        return tuple(found)

    def _scan(self, window: Samples) -> None:
        """Measure the crests of a window that starts at frame `_first`, from where each side stopped."""
        for channel, sides in enumerate(self._sides):
            row = window[:, channel]
            extents = chunk_extents(row)
            for number, (sign, side) in enumerate(zip((1.0, -1.0), sides, strict=True)):
                position = int(self._positions[channel, number])
                self._positions[channel, number] = scan_crests(
                    row, extents[:, number], sign, position, self._first, self._limits, side
                )


def _flat_top(channel: int, sign: float, scale: Scale, number: int, side: Side) -> FlatTop:
    """Return the sums over the bins of the tops that reach the extreme, as a record."""
    highest = int(side.highest[number])
    order = (highest - np.arange(BINS)) % BINS
    counts = side.counts[number, order]
    at, sums = _scaled_to_all(counts[: scale.bins], side.sums[number, order[: scale.bins]])
    starts = [side.starts[number, slot, : row[EVENTS]] for slot, row in zip(order, at, strict=False)]
    longest = min(at.tolist(), key=lambda row: (-row[LONGEST], row[LONGEST_AT]))
    total, short, flat = at.sum(axis=0).tolist(), max(1, int(at[:, SHORT].sum())), max(1, int(at[:, FLAT].sum()))
    return FlatTop(
        channel=channel,
        level_linear=sign * highest * scale.step,
        tolerance_linear=scale.step * scale.bins,
        events=total[EVENTS],
        frames=total[FRAMES],
        flat_events=total[FLAT],
        flat_frames=total[FLAT_FRAMES],
        short_events=total[SHORT],
        pair_events=total[PAIRS],
        below_events=int(counts[scale.bins :, EVENTS].sum()),
        longest_frames=longest[LONGEST],
        longest_start=longest[LONGEST_AT],
        starts=tuple(np.sort(np.concatenate(starts))[:MOST_STARTS].tolist()),
        varied_events=total[VARIED],
        distinct_shapes=total[DISTINCT_SHAPES],
        stepped_events=total[STEPPED],
        curvature_linear=float(sums[:, CURVATURE_SUM].sum()) / short,
        steepness=float(sums[:, STEEP_SUM].sum()) / flat,
    )


def _scaled_to_all(counts: NDArray[np.int64], sums: Samples) -> tuple[NDArray[np.int64], Samples]:
    """Return counts and sums of bins, (bins, ...), scaled as if the shape of every top had been measured."""
    events, whole = counts[:, EVENTS], counts.copy()
    factor = (events / np.clip(events, 1, MOST_SHAPED))[:, None]
    whole[:, SHAPES] = np.rint(counts[:, SHAPES] * factor)
    return whole, sums * factor
