"""True peak: the larger of the sample peak and the peak of the waveform between the samples.

The waveform is interpolated to 32 times the rate in two stages. A half-band filter gives the value midway between two
samples; from that doubled grid, fifteen phases of 12 taps give the values between. All are Kaiser-windowed sincs. The
half-band filter is taken twice, with 48 taps and with 256, and the larger peak counts: the short one is what converters
with a gentle filter show, the long one holds nearly up to half the rate. For tones up to 0.45 of the rate the result
lies between -0.011 and +0.004 dB of the peak, of which -0.0085 is what any ratio of 32 leaves (a cosine of
pi 0.45 / 32). Source: ITU-R BS.1770-5 Annex 2 (what a true peak is, and that
a finer ratio is always allowed); the filters are our own.

Most samples can't hold the peak, and two bounds say so without computing it. An output of a filter can't exceed the
largest input in its window times the sum of its absolute taps. And it can't lie further from the straight line between
two neighbours than the largest second difference in its window times a constant of the filter, because the filter less
that line is itself a filter on second differences. Where the smaller bound stays under the peak found so far, nothing
is computed; the result is the same as without the shortcut. Of each stretch the long filter is computed last: it
differs from the short one by a filter on second differences too, so the cheaper grid bounds its output more closely
than the samples do.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from stager.meters.lanes import largest_abs, largest_curvature
from stager.meters.peak import Peaks, Samples
from stager.system.jit import sample_loop

HALF_TAPS: Final = 48
HALF_BETA: Final = 7.3
LONG_TAPS: Final = 256
LONG_BETA: Final = 9.0
PHASE_TAPS: Final = 12
PHASE_BETA: Final = 7.0
PHASES: Final = 16
CHUNK: Final = 256
BLOCK: Final = 64
"""Frames of which the extremes are kept, so that the windows of neighbouring chunks share them."""
APART: Final = 12
"""Samples between two stretches that are worked out as one: each needs a few beside it."""
PART: Final = 32
"""Points of the doubled grid that share a bound."""
EDGE: Final = PHASE_TAPS // 4
"""Samples of the doubled grid before and behind those looked at that the second stage reaches into."""
AT_ONCE: Final = 4
"""Values midway that are computed at once: up to three more than needed."""
BESIDE: Final = LONG_TAPS // 2 + EDGE + AT_ONCE - 1
"""Frames beside those looked at that both stages reach into."""
REACH_FRAMES: Final = 288
"""Frames kept from block to block: more than the taps of both stages."""
SLACK: Final = 1.0 + 1e-12
"""Room for rounding in the bounds, so that a shortcut is never taken by an error in the last place."""
TIE: Final = 2.0**-42
"""Peaks closer than this part of them are equal and the earliest counts. Sums round differently on another processor,
by a few parts in 10^16: the place must not depend on that."""


def _taps(positions: NDArray[np.floating], half_width: float, beta: float) -> Samples:
    """A Kaiser-windowed sinc at these positions, with a sum of 1."""
    window = np.i0(beta * np.sqrt(np.maximum(0.0, 1.0 - (positions / half_width) ** 2)))
    taps = np.sinc(positions) * window
    return np.asarray(taps / taps.sum())


def _phase_taps() -> Samples:
    """The taps of the second stage, (taps, phases): column j - 1 lies j / 16 of the way to the next point of the grid.

    The last column is zeros: sixteen of them are looked at four at a time.
    """
    points = np.arange(1 - PHASE_TAPS // 2, PHASE_TAPS // 2 + 1, dtype=np.float64)
    shifts = np.arange(1, PHASES) / PHASES
    taps = [_taps(points - s, PHASE_TAPS / 2, PHASE_BETA) for s in shifts]
    return np.ascontiguousarray(np.array([*taps, np.zeros(PHASE_TAPS)]).T)


def _curvature(taps: Samples, left: int) -> tuple[float, float]:
    """How far a filter's output can lie from a point on the line between two neighbours, at `left` and behind it.

    Return (a, b) with |output - line| <= a * largest second difference + b * largest input: the taps less two weights
    with their sum and their centre, divided by the second difference (1, -2, 1); b is what rounding leaves.
    """
    rest = taps.copy()
    share = float(taps @ np.arange(len(taps))) - left
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"expected a filter whose centre lies between two inputs, found {share}")
    rest[left : left + 2] -= (1.0 - share, share)
    quotient = np.cumsum(np.cumsum(rest))[:-2]
    remainder = rest - np.convolve(quotient, (1.0, -2.0, 1.0))
    return float(np.abs(quotient).sum()), float(np.abs(remainder).sum())


class Bounds(NamedTuple):
    """How far an output can pass its inputs; all with a little room for rounding."""

    total: float
    """of both stages: peak of the fine grid over the largest sample"""
    half_curve: float
    """first stage: distance from the line over the largest second difference"""
    near: float
    """second stage: sum of the absolute taps on the two points beside the output"""
    far: float
    """second stage: sum of its other absolute taps"""
    phase_curve: float
    """second stage: distance from the line over the largest second difference"""
    phase_rest: float
    """second stage: what is left of that bound, over the largest point"""
    other_curve: float
    """first stage: distance from its output with `HALF` over the largest second difference"""
    other_near: float
    """second stage: by how much a point of the fine grid follows such distances of the points midway"""


def _bounds(half: Samples) -> Bounds:
    centre = slice(PHASE_TAPS // 2 - 1, PHASE_TAPS // 2 + 1)
    sums, near = np.abs(PHASE).sum(axis=0), np.abs(PHASE[centre]).sum(axis=0)
    half_curve, half_rest = _curvature(half, len(half) // 2 - 1)
    curves = [_curvature(PHASE[:, j], PHASE_TAPS // 2 - 1) for j in range(PHASES - 1)]
    total = max(1.0, float(np.abs(half).sum())) * max(1.0, float(sums.max()))
    rest = max(rest for _, rest in curves) + half_rest
    other = half.copy()
    other[(len(half) - HALF_TAPS) // 2 : (len(half) + HALF_TAPS) // 2] -= HALF
    midway = max(1.0, *(float(np.abs(PHASE[first::2]).sum(axis=0).max()) for first in (0, 1)))
    other_curve = float(np.abs(np.cumsum(np.cumsum(other))).sum()) + half_rest
    phase_curve = max(curve for curve, _ in curves)
    figures = (total, half_curve, near.max(), (sums - near).max(), phase_curve, rest, other_curve, midway)
    return Bounds(*(SLACK * float(figure) for figure in figures))


PHASE: Final = _phase_taps()
HALF: Final = _taps(np.arange(HALF_TAPS) - (HALF_TAPS - 1) / 2, HALF_TAPS / 2, HALF_BETA)
LONG: Final = _taps(np.arange(LONG_TAPS) - (LONG_TAPS - 1) / 2, LONG_TAPS / 2, LONG_BETA)
BOUNDS: Final = _bounds(HALF)
LONG_BOUNDS: Final = _bounds(LONG)


class Filters(NamedTuple):
    """Filter taps and their bounds: `half` (48 taps) or `long` (256) as the first stage, `phase` as the second.

    `bounds` belong to `half`, `long_bounds` to `long`.
    """

    half: Samples
    long: Samples
    phase: Samples
    bounds: Bounds
    long_bounds: Bounds


FILTERS: Final = Filters(HALF, LONG, PHASE, BOUNDS, LONG_BOUNDS)


class TruePeakMeter:
    """The true peak of each channel, and the earliest place that reaches it.

    Samples beyond the file count as zero, and the filters' tail behind the last sample is looked at as well. With
    `prune=False` no shortcut is taken (for the proof that it changes nothing).
    """

    def __init__(self, channels: int, *, prune: bool = True) -> None:
        self._largest = np.zeros(channels)
        self._reached = np.zeros(channels)
        self._places = np.zeros(channels)
        self._kept = np.zeros((channels, REACH_FRAMES))
        self._frames = 0
        self._prune = prune

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        window = np.concatenate((self._kept, block.T), axis=1)
        self._reached, self._places = self._scanned(window)
        self._largest = np.maximum(self._largest, [largest_abs(row[REACH_FRAMES:]) for row in window])
        self._kept = window[:, -REACH_FRAMES:].copy()
        self._frames += len(block)

    def result(self) -> Peaks:
        """Return the peaks of all that was fed, followed by silence."""
        tail = np.zeros((len(self._reached), REACH_FRAMES))
        reached, places = self._scanned(np.concatenate((self._kept, tail), axis=1))
        return Peaks(tuple(np.maximum(reached, self._largest).tolist()), tuple(places.tolist()))

    def _scanned(self, window: Samples) -> tuple[Samples, Samples]:
        """Return the peaks and their places with this window, (channels, frames), taken in.

        The window begins `REACH_FRAMES` before the next frame.
        """
        reached, places = self._reached.copy(), self._places.copy()
        for channel, row in enumerate(window):
            peak, at = _interpolated_peak(row, FILTERS, float(reached[channel]), self._prune)
            if at >= 0.0:
                reached[channel] = peak
                places[channel] = max(0.0, self._frames - REACH_FRAMES + at)
        return reached, places


@sample_loop
def _extents(row: Samples) -> Samples:
    """The largest absolute value and second difference of each `BLOCK` frames of a row, (2, blocks).

    The second difference around a frame belongs to that frame.
    """
    found = np.empty((2, (row.shape[0] + BLOCK - 1) // BLOCK))
    for number in range(found.shape[1]):
        first, stop = number * BLOCK, min((number + 1) * BLOCK, row.shape[0])
        found[0, number] = largest_abs(row[first:stop])
        found[1, number] = largest_curvature(row[max(0, first - 1) : stop + 1])
    return found


@sample_loop
def _interpolated_peak(row: Samples, filters: Filters, reached: float, prune: bool) -> tuple[float, float]:
    """The largest absolute value on both fine grids through the samples of `row` and its place, -1 if below `reached`.

    `limit` is what a value must exceed: the peak so far with all that ties with it, or a little less than what the row
    is known to reach.
    """
    extents, place = _extents(row), -1.0
    limit = max(reached * (1.0 + TIE), largest_abs(extents[0]) * (1.0 - 2.0 * TIE))
    grids = np.empty((3, 2 * (CHUNK + 2 * EDGE + AT_ONCE)))
    for first in range(BESIDE, row.shape[0] - BESIDE, CHUNK):
        begin, end = first, min(first + CHUNK, row.shape[0] - BESIDE)
        near, far = (first - BESIDE) // BLOCK, (end + BESIDE - 1) // BLOCK + 1
        largest, bend = largest_abs(extents[0, near:far]), largest_abs(extents[1, near:far])
        if prune and largest * max(filters.bounds.total, filters.long_bounds.total) <= limit:
            continue
        excess = max(_excess(largest, bend, filters.bounds), _excess(largest, bend, filters.long_bounds))
        if prune and (largest + excess) * SLACK <= limit:
            continue
        while begin < end:
            stop = end
            if prune:
                begin, stop = _next_stretch(row, begin, end, excess, limit)
            if begin < stop:
                peak, at = _stretch_peak(row, begin, stop - begin, largest, bend, filters, grids, limit, prune)
                if at >= 0.0:
                    reached, place, limit = peak, begin + at, peak * (1.0 + TIE)
            begin = stop
    return reached, place


@sample_loop
def _stretch_peak(
    row: Samples,
    begin: int,
    count: int,
    largest: float,
    bend: float,
    filters: Filters,
    grids: Samples,
    limit: float,
    prune: bool,
) -> tuple[float, float]:
    """The larger peak of both first stages in `count` samples and its place in them, -1 where none exceeds `limit`.

    Where they tie, the earlier. The grid of the short stage says where the long one may hold a peak. `largest` and
    `bend` are the largest sample and second difference around, `grids` is room for three doubled grids.
    """
    grid, long_grid, between = grids[0], grids[1], grids[2]
    _double(row, filters.half, begin - EDGE, count + 2 * EDGE, grid, between)
    peak, place = _search(grid, filters.phase, filters.bounds, count, limit, prune)
    far = (
        filters.long_bounds.other_curve * bend + filters.long_bounds.phase_rest * largest
    ) * filters.long_bounds.other_near
    done = 0
    while done < count:
        part, floor = count - done, max(limit, peak * (1.0 - 2.0 * TIE))
        if prune:
            skipped, part = _next_parts(grid[2 * done :], filters.long_bounds, count - done, far, floor)
            done += skipped
        if part > 0:
            _double(row, filters.long, begin + done - EDGE, part + 2 * EDGE, long_grid, between)
            other, at = _search(long_grid, filters.phase, filters.long_bounds, part, floor, prune)
            ties = other * (1.0 + TIE) >= peak and done + at < place
            if at >= 0.0 and (other > peak * (1.0 + TIE) or ties):
                peak, place = other, done + at
        done += part
    return peak, place


@sample_loop
def _next_stretch(row: Samples, start: int, end: int, excess: float, peak: float) -> tuple[int, int]:
    """The next samples behind which a new peak may lie, with those between two such that are close together."""
    part = row[start : end + 1]
    first = 0
    while first < len(part) - 1 and (max(abs(part[first]), abs(part[first + 1])) + excess) * SLACK <= peak:
        first += 1
    stop = last = first
    while stop < len(part) - 1 and stop - last <= APART:
        stop += 1
        if (max(abs(part[stop - 1]), abs(part[stop])) + excess) * SLACK > peak:
            last = stop
    return start + first, start + last if last > first else end


@sample_loop
def _next_parts(grid: Samples, bounds: Bounds, count: int, far: float, limit: float) -> tuple[int, int]:
    """The first samples of a doubled grid of `count` between which a peak may lie `far` above this grid's own.

    Return how many samples lie before them, and their number.
    """
    begin = stop = 0
    for first in range(0, count, PART // 2):
        last = min(first + PART // 2, count)
        part = grid[2 * first : 2 * (last + 2 * EDGE)]
        largest = largest_abs(part)
        curve = bounds.phase_curve * largest_curvature(part) + bounds.phase_rest * largest
        if (largest + curve + far) * SLACK > limit:
            begin, stop = (begin if stop else first), last
        elif stop:
            return begin, stop - begin
        elif last == count:
            return count, 0
    return begin, stop - begin


@sample_loop
def _excess(largest: float, bend: float, bounds: Bounds) -> float:
    """By how much a point of the fine grid can pass the two samples beside it."""
    doubled = largest + bounds.half_curve * bend
    grid_bend = (0.5 + 2.0 * bounds.half_curve) * bend
    return bounds.half_curve * bend + bounds.phase_curve * grid_bend + bounds.phase_rest * doubled


@sample_loop
def _double(row: Samples, half: Samples, first: int, count: int, grid: Samples, between: Samples) -> None:
    """Fill the doubled grid: grid[2k] is sample first + k, grid[2k + 1] the value midway to the next.

    `between` is room for the latter. Four taps a pass, so that less is spent on passes and on `between`.
    """
    whole, reach = count + -count % AT_ONCE, len(half) // 2
    for k in range(whole):
        between[k] = 0.0
    for tap in range(0, reach, 4):
        a, b, c, d = half[tap], half[tap + 1], half[tap + 2], half[tap + 3]
        near, far = first + tap - reach + 1, first + reach - tap - 3
        one, other = row[near : near + whole + 3], row[far : far + whole + 3]
        for k in range(whole):
            value = between[k] + a * (one[k] + other[k + 3])
            value += b * (one[k + 1] + other[k + 2])
            value += c * (one[k + 2] + other[k + 1])
            between[k] = value + d * (one[k + 3] + other[k])
    for k in range(count):
        grid[2 * k] = row[first + k]
        grid[2 * k + 1] = between[k]


@sample_loop
def _search(
    grid: Samples, phase: Samples, bounds: Bounds, count: int, limit: float, prune: bool
) -> tuple[float, float]:
    """Search the doubled grid of `count` samples, and between its points where the bound allows a new peak.

    Return the peak and its place in samples, -1 where nothing exceeds `limit`.
    """
    peak, place = 0.0, -1.0
    for first in range(2 * EDGE, 2 * (EDGE + count), PART):
        last = min(first + PART, 2 * (EDGE + count))
        largest = largest_abs(grid[first - 2 * EDGE : last + 2 * EDGE])
        if prune and largest * (bounds.near + bounds.far) <= limit:
            continue
        bend = largest_curvature(grid[first - 2 * EDGE : last + 2 * EDGE])
        curve = (bounds.phase_curve * bend + bounds.phase_rest * largest) * SLACK
        if prune and largest + curve <= limit:
            continue
        for n in range(first, last):
            here = max(abs(grid[n]), abs(grid[n + 1]))
            if prune and min(bounds.near * here + bounds.far * largest, here + curve) <= limit:
                continue
            if abs(grid[n]) > limit:
                peak, place = abs(grid[n]), 0.5 * n - EDGE
                limit = peak * (1.0 + TIE)
            between, j = _between(grid, phase, n, limit)
            if j >= 0:
                peak, place = between, 0.5 * n - EDGE + 0.5 * (j + 1) / PHASES
                limit = peak * (1.0 + TIE)
    return peak, place


@sample_loop
def _between(grid: Samples, phase: Samples, n: int, limit: float) -> tuple[float, int]:
    """The largest absolute value between two points of the doubled grid and its phase, -1 if it is not above `limit`.

    Four phases at a time, so that no sum waits for itself.
    """
    peak, at, window = 0.0, -1, grid[n - PHASE_TAPS // 2 + 1 : n + PHASE_TAPS // 2 + 1]
    for j in range(0, PHASES, 4):
        a = b = c = d = 0.0
        for tap in range(PHASE_TAPS):
            point = window[tap]
            a += phase[tap, j] * point
            b += phase[tap, j + 1] * point
            c += phase[tap, j + 2] * point
            d += phase[tap, j + 3] * point
        largest = max(abs(a), abs(b), abs(c), abs(d))
        if largest > limit:
            peak, limit, tied = largest, largest * (1.0 + TIE), largest * (1.0 - TIE)
            at = j + (0 if abs(a) >= tied else 1 if abs(b) >= tied else 2 if abs(c) >= tied else 3)
    return peak, at
