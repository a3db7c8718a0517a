"""Flat tops: crests that rest at one level, as they do behind anything that can't pass more.

Of each channel and side the meter looks at the crests near the running extreme. A crest's top is its highest sample
with the neighbours that lie within a tolerance under it, of w samples. A round crest of that width falls off as a
parabola: m samples beyond its edge it lies no more than tolerance * ((h + m) / h)^2 under it, with h = (w - 1) / 2. A
top that falls off more steeply on both sides, within four samples, is flat. Tops of one or two samples, as high notes
have them, have no such shape: of those it keeps how their neighbours lie, and how many tops end at the extreme against
those that end just under it. Source: worked geometry; the widths of the bins are our own.

Three tolerances are tried: a quarter of a step of the file's grid, for tops that are equal; some steps, for tops under
dither; and some steps of 16 bits, for files that were dithered there and stored finer. TPDF dither and rounding spread
a level over four codes at most (worked arithmetic: +-1 step and +-1/2).
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from stager.meters.crests import (
    BEND_SUM,
    BINS,
    CONTEXT,
    EVENTS,
    FLAT,
    FLAT_FRAMES,
    FRAMES,
    KINDS,
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
    """A tolerance: bins of `step`, a top's samples within `reach` of it, the extreme's tops in its first bins."""

    step: float
    reach: float
    bins: int


def _scales(info: StreamInfo) -> tuple[Scale, ...]:
    bits = min(FINE_BITS, info.valid_bits) if info.encoding.is_integer else FINE_BITS
    step, coarse = 2.0 ** (1 - bits), 2.0 ** (1 - COARSE_BITS)
    exact = Scale(step, step / 4.0, 1)
    return (exact, *(Scale(size, 3.25 * size, 4) for size in sorted({step, max(step, coarse)})))


class FlatTopMeter:
    """Finds the flat tops of each channel and side, in bounded memory; any cut of the blocks gives the same."""

    def __init__(self, info: StreamInfo) -> None:
        self._channels, self._scales = info.channels, _scales(info)
        self._limits = np.array([(scale.step, scale.reach) for scale in self._scales])
        self._sides = [[empty_side(len(self._scales)) for _ in (1.0, -1.0)] for _ in range(info.channels)]
        self._kept = np.zeros((CONTEXT, info.channels))
        self._places = np.full((info.channels, 2), CONTEXT, np.int64)
        self._first = -CONTEXT

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        window = np.concatenate((self._kept, block))
        self._scan(window)
        cut = int(self._places.min()) - CONTEXT
        self._kept = window[cut:].copy()
        self._places -= cut
        self._first += cut

    def result(self) -> tuple[FlatTop, ...]:
        """Give one entry for each channel, side and tolerance that has tops; silence follows the last sample."""
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
        for channel, sides in enumerate(self._sides):
            row = window[:, channel]
            extents = chunk_extents(row)
            for number, (sign, side) in enumerate(zip((1.0, -1.0), sides, strict=True)):
                place = int(self._places[channel, number])
                self._places[channel, number] = scan_crests(
                    row, extents[:, number], sign, place, self._first, self._limits, side
                )


def _flat_top(channel: int, sign: float, scale: Scale, number: int, side: Side) -> FlatTop:
    """Put together the bins of the tops that reach the extreme."""
    highest = int(side.highest[number])
    order = (highest - np.arange(BINS)) % BINS
    counts = side.counts[number, order]
    at, sums = _all_shaped(counts[: scale.bins], side.sums[number, order[: scale.bins]])
    starts = [side.starts[number, place, : row[EVENTS]] for place, row in zip(order, at, strict=False)]
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
        kinds=total[KINDS],
        stepped_events=total[STEPPED],
        bend_linear=float(sums[:, BEND_SUM].sum()) / short,
        steepness=float(sums[:, STEEP_SUM].sum()) / flat,
    )


def _all_shaped(counts: NDArray[np.int64], sums: Samples) -> tuple[NDArray[np.int64], Samples]:
    """Give counts and sums of bins, (bins, ...), as if every top's shape had been looked at."""
    events, whole = counts[:, EVENTS], counts.copy()
    factor = (events / np.clip(events, 1, MOST_SHAPED))[:, None]
    whole[:, SHAPES] = np.rint(counts[:, SHAPES] * factor)
    return whole, sums * factor
