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

from stager.compiled import sample_loop
from stager.meters.peak import Samples
from stager.model import StreamInfo
from stager.model.damage import FlatTop

BINS: Final = 64
"""Levels under the extreme that are told apart, each a step of the grid wide."""
MOST_STARTS: Final = 20
MOST_FRAMES: Final = 8192
"""A top that is longer counts as ended: no sound rests for 0.17 s (own figure)."""
CHUNK: Final = 64
CONTEXT: Final = 4
"""Samples before and behind a top that its shape is judged by."""
LEAST_LINEAR: Final = 2.0**-9
"""Crests under -54 dBFS are not looked at: the coarsest step is no longer small against them (own figure)."""
FINE_BITS: Final = 24
COARSE_BITS: Final = 16
FLAT_FACTOR: Final = 2.0
"""How many times steeper than a round crest's a fall must be; room for crests that are no parabola (own figure)."""

VARIED_FACTOR: Final = 8.0
"""How many tolerances apart the bends of two short tops must be to be different: where a round crest lies
between the samples moves them by two (worked arithmetic)."""
STEP_SHARE: Final = 0.02
"""Part of the level that a top must fall in one step, and then rest, to be of a staircase (own figure)."""

EVENTS, FRAMES, FLAT, FLAT_FRAMES, SHORT, PAIRS, VARIED, STEPPED, LONGEST, LONGEST_AT = range(10)
COUNTS: Final = 10
LAST_BEND, BEND_SUM, STEEP_SUM = range(3)
SUMS: Final = 3


class Scale(NamedTuple):
    """A tolerance: bins of `step`, a top's samples within `reach` of it, the extreme's tops in its first bins."""

    step: float
    reach: float
    bins: int


class _Side(NamedTuple):
    """What is known of one side of one channel: by scale and bin, in rings whose place is the level modulo `BINS`."""

    highest: NDArray[np.int64]
    """bin of the extreme, by scale"""
    counts: NDArray[np.int64]
    """(scales, bins, COUNTS)"""
    sums: Samples
    """(scales, bins, SUMS)"""
    starts: NDArray[np.int64]
    """(scales, bins, MOST_STARTS), in order of time"""


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
        self._sides = [[_empty(len(self._scales)) for _ in (1.0, -1.0)] for _ in range(info.channels)]
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
            for number, (sign, side) in enumerate(zip((1.0, -1.0), sides, strict=True)):
                place = int(self._places[channel, number])
                self._places[channel, number] = _scan(row, sign, place, self._first, self._limits, side)


def _empty(scales: int) -> _Side:
    return _Side(
        np.zeros(scales, np.int64),
        np.zeros((scales, BINS, COUNTS), np.int64),
        np.zeros((scales, BINS, SUMS)),
        np.zeros((scales, BINS, MOST_STARTS), np.int64),
    )


def _flat_top(channel: int, sign: float, scale: Scale, number: int, side: _Side) -> FlatTop:
    """Put together the bins of the tops that reach the extreme."""
    highest = int(side.highest[number])
    order = (highest - np.arange(BINS)) % BINS
    counts, sums = side.counts[number, order], side.sums[number, order]
    at = counts[: scale.bins]
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
        stepped_events=total[STEPPED],
        bend_linear=float(sums[: scale.bins, BEND_SUM].sum()) / short,
        steepness=float(sums[: scale.bins, STEEP_SUM].sum()) / flat,
    )


@sample_loop
def _scan(row: Samples, sign: float, place: int, first: int, limits: Samples, side: _Side) -> int:
    """Take in every crest of a row from `place` on that ends in it; give where to go on. `first` is its first frame."""
    coarsest = limits.shape[0] - 1
    frames, checked = row.shape[0], place
    while place < frames:
        gate = max(LEAST_LINEAR, (side.highest[coarsest] - BINS) * limits[coarsest, 0])
        if place >= checked:
            checked = min(frames, place + CHUNK)
            if _largest(row, sign, place, checked) < gate:
                place = checked
                continue
        value = sign * row[place]
        if value < gate or value <= sign * row[place - 1]:
            place += 1
            continue
        end, crest = _crest(row, sign, place, limits[coarsest, 1])
        if end + CONTEXT > frames:
            return place
        for scale in range(limits.shape[0]):
            _take(row, sign, (place, end, crest, first), (scale, limits[scale, 0], limits[scale, 1]), side)
        place = end
    return place


@sample_loop
def _largest(row: Samples, sign: float, first: int, last: int) -> float:
    """The largest value on one side, in four lanes so that no sample waits for the one before."""
    a = b = c = d = sign * row[first]
    for i in range(first, last - 3, 4):
        a, b = max(a, sign * row[i]), max(b, sign * row[i + 1])
        c, d = max(c, sign * row[i + 2]), max(d, sign * row[i + 3])
    for i in range(last - (last - first) % 4, last):
        a = max(a, sign * row[i])
    return float(max(a, b, c, d))


@sample_loop
def _crest(row: Samples, sign: float, start: int, reach: float) -> tuple[int, int]:
    """Climb from `start` and stop where the row has fallen by more than `reach`; give that place, and the crest's."""
    end, crest, top = start, start, sign * row[start]
    while end < row.shape[0] and end - start < MOST_FRAMES and sign * row[end] >= top - reach:
        if sign * row[end] > top:
            top, crest = sign * row[end], end
        end += 1
    return end, crest


@sample_loop
def _take(
    row: Samples, sign: float, where: tuple[int, int, int, int], scale: tuple[int, float, float], side: _Side
) -> None:
    """Measure the top of a crest at one tolerance and add it to its bin, if it is high enough."""
    start, end, crest, first_frame = where
    number, step, reach = scale
    top = sign * row[crest]
    level = int(np.floor(top / step + 0.5))
    if level <= side.highest[number] - BINS:
        return
    _raise(number, level, side)
    low, high = crest, crest
    while low > start and sign * row[low - 1] >= top - reach:
        low -= 1
    while high + 1 < end and sign * row[high + 1] >= top - reach:
        high += 1
    width, counts = high - low + 1, side.counts[number, level % BINS]
    if counts[EVENTS] < MOST_STARTS:
        side.starts[number, level % BINS, counts[EVENTS]] = first_frame + low
    counts[EVENTS] += 1
    counts[FRAMES] += width
    if width > counts[LONGEST]:
        counts[LONGEST], counts[LONGEST_AT] = width, first_frame + low
    _shape(row, sign, (low, high, crest), reach + step, counts, side.sums[number, level % BINS])


@sample_loop
def _shape(
    row: Samples,
    sign: float,
    where: tuple[int, int, int],
    tolerance: float,
    counts: NDArray[np.int64],
    sums: Samples,
) -> None:
    """Count a top as flat, or keep how the neighbours of a short one lie."""
    low, high, crest = where
    width, top = high - low + 1, sign * row[crest]
    counts[STEPPED] += _is_step(row, low, -1, STEP_SHARE * top, tolerance) and _is_step(
        row, high, 1, STEP_SHARE * top, tolerance
    )
    if width > 2:
        half = 0.5 * (width - 1)
        fall = min(_fall(row, sign, top, low, -1), _fall(row, sign, top, high, 1))
        if fall > FLAT_FACTOR * tolerance * ((half + CONTEXT) / half) ** 2:
            counts[FLAT] += 1
            counts[FLAT_FRAMES] += width
            sums[STEEP_SUM] += fall * width / (CONTEXT * top)
        return
    bend = 2.0 * top - sign * (row[low - 1] + row[high + 1])
    counts[VARIED] += counts[SHORT] > 0 and abs(bend - sums[LAST_BEND]) > VARIED_FACTOR * tolerance
    sums[LAST_BEND] = bend
    sums[BEND_SUM] += bend
    counts[SHORT] += 1
    counts[PAIRS] += width == 2


@sample_loop
def _is_step(row: Samples, edge: int, step: int, least: float, tolerance: float) -> bool:
    """Whether a row falls at an edge by `least` or more in one step and then rests, as a staircase does."""
    near, far = row[edge + step], row[edge + 2 * step]
    return bool(abs(near - row[edge]) >= least and abs(near - far) <= tolerance)


@sample_loop
def _fall(row: Samples, sign: float, top: float, edge: int, step: int) -> float:
    """How far the samples beside an edge lie under the top, at the deepest."""
    deepest = 0.0
    for distance in range(1, CONTEXT + 1):
        deepest = max(deepest, top - sign * row[edge + step * distance])
    return deepest


@sample_loop
def _raise(scale: int, level: int, side: _Side) -> None:
    """Let a level be the highest, and empty the bins that it comes to reuse."""
    if level <= side.highest[scale]:
        return
    for fresh in range(max(side.highest[scale] + 1, level - BINS + 1), level + 1):
        side.counts[scale, fresh % BINS] = 0
        side.sums[scale, fresh % BINS] = 0.0
    side.highest[scale] = level
