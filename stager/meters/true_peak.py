"""True peak: the larger of the sample peak and the peak of the waveform between the samples.

The waveform is interpolated to 32 times the rate in two stages. A half-band filter of 48 taps gives the value midway
between two samples; from that doubled grid, fifteen phases of 12 taps give the values between. Both are Kaiser-windowed
sincs. For tones up to 0.45 of the rate the result lies between -0.011 and +0.004 dB of the peak, of which -0.0085 is
what any ratio of 32 leaves (a cosine of pi 0.45 / 32). Source: ITU-R BS.1770-5 Annex 2 (what a true peak is, and that
a finer ratio is always allowed); the filters are our own.

Most samples can't hold the peak, and two bounds say so without computing it. An output of a filter can't exceed the
largest input in its window times the sum of its absolute taps. And it can't lie further from the straight line between
two neighbours than the largest second difference in its window times a constant of the filter, because the filter less
that line is itself a filter on second differences. Where the smaller bound stays under the peak found so far, nothing
is computed; the result is the same as without the shortcut.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from stager.compiled import sample_loop
from stager.meters.lanes import largest_abs, largest_bend
from stager.meters.peak import Peaks, Samples

HALF_TAPS: Final = 48
HALF_BETA: Final = 7.3
PHASE_TAPS: Final = 12
PHASE_BETA: Final = 7.0
PHASES: Final = 16
CHUNK: Final = 256
APART: Final = 12
"""Samples between two stretches that are worked out as one: each needs a few beside it."""
PART: Final = 32
"""Points of the doubled grid that share a bound."""
EDGE: Final = PHASE_TAPS // 4
"""Samples of the doubled grid before and behind those looked at that the second stage reaches into."""
REACH_FRAMES: Final = 64
"""Frames kept from block to block: more than half the taps of both stages."""
SLACK: Final = 1.0 + 1e-12
"""Room for rounding in the bounds, so that a shortcut is never taken by an error in the last place."""


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

    Gives (a, b) with |output - line| <= a * largest second difference + b * largest input: the taps less two weights
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


def _bounds() -> Bounds:
    centre = slice(PHASE_TAPS // 2 - 1, PHASE_TAPS // 2 + 1)
    sums, near = np.abs(PHASE).sum(axis=0), np.abs(PHASE[centre]).sum(axis=0)
    half_curve, half_rest = _curvature(HALF, HALF_TAPS // 2 - 1)
    curves = [_curvature(PHASE[:, j], PHASE_TAPS // 2 - 1) for j in range(PHASES - 1)]
    total = max(1.0, float(np.abs(HALF).sum())) * max(1.0, float(sums.max()))
    rest = max(rest for _, rest in curves) + half_rest
    figures = (total, half_curve, near.max(), (sums - near).max(), max(curve for curve, _ in curves), rest)
    return Bounds(*(SLACK * float(figure) for figure in figures))


HALF: Final = _taps(np.arange(HALF_TAPS) - (HALF_TAPS - 1) / 2, HALF_TAPS / 2, HALF_BETA)
PHASE: Final = _phase_taps()
BOUNDS: Final = _bounds()


class TruePeakMeter:
    """The true peak of each channel.

    Samples beyond the file count as zero, and the filters' tail behind the last sample is looked at as well. With
    `prune=False` no shortcut is taken (for the proof that it changes nothing).
    """

    def __init__(self, channels: int, *, prune: bool = True) -> None:
        self._peaks = np.zeros(channels)
        self._places = np.zeros(channels)
        self._kept = np.zeros((channels, REACH_FRAMES))
        self._frames = 0
        self._prune = prune

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        window = np.concatenate((self._kept, block.T), axis=1)
        self._peaks, self._places = self._scanned(window)
        self._kept = window[:, -REACH_FRAMES:].copy()
        self._frames += len(block)

    def result(self) -> Peaks:
        """Give the peaks of all that was fed, followed by silence."""
        tail = np.zeros((len(self._peaks), REACH_FRAMES))
        peaks, places = self._scanned(np.concatenate((self._kept, tail), axis=1))
        return Peaks(tuple(peaks.tolist()), tuple(places.tolist()))

    def _scanned(self, window: Samples) -> tuple[Samples, Samples]:
        """Give peaks and places with this window, (channels, frames), taken in; its start is `REACH_FRAMES` back."""
        peaks, places = self._peaks.copy(), self._places.copy()
        for channel, row in enumerate(window):
            peak, at = _interpolated_peak(row, HALF, PHASE, BOUNDS, peaks[channel], self._prune)
            if peak > peaks[channel]:
                peaks[channel] = peak
                places[channel] = max(0.0, self._frames - REACH_FRAMES + at)
        return peaks, places


@sample_loop
def _interpolated_peak(
    row: Samples, half: Samples, phase: Samples, bounds: Bounds, start: float, prune: bool
) -> tuple[float, float]:
    """The largest absolute value on the fine grid through the samples of `row`, if above `start`; its place."""
    peak, place = start, -1.0
    largest = largest_abs(row)
    if largest > peak:
        peak, place = largest, float(_first_at(row, largest))
    grid, between = np.empty(2 * (CHUNK + 2 * EDGE)), np.empty(CHUNK + 2 * EDGE)
    left, right = HALF_TAPS // 2 + EDGE - 1, HALF_TAPS // 2 + EDGE
    for first in range(left, row.shape[0] - right, CHUNK):
        begin, end = first, min(first + CHUNK, row.shape[0] - right)
        largest = largest_abs(row[first - left : end + right])
        if prune and largest * bounds.total <= peak:
            continue
        excess = _excess(largest, largest_bend(row[first - left : end + right]), bounds)
        if prune and (largest + excess) * SLACK <= peak:
            continue
        while begin < end:
            stop = end
            if prune:
                begin, stop = _next_stretch(row, begin, end, excess, peak)
            if begin < stop:
                _double(row, half, begin - EDGE, stop - begin + 2 * EDGE, grid, between)
                peak, at = _search(grid, phase, bounds, stop - begin, peak, prune)
                if at >= 0.0:
                    place = begin + at
            begin = stop
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
def _first_at(row: Samples, largest: float) -> int:
    for i in range(row.shape[0]):
        if abs(row[i]) == largest:
            return i
    return -1


@sample_loop
def _excess(largest: float, bend: float, bounds: Bounds) -> float:
    """By how much a point of the fine grid can pass the two samples beside it."""
    doubled = largest + bounds.half_curve * bend
    grid_bend = (0.5 + 2.0 * bounds.half_curve) * bend
    return bounds.half_curve * bend + bounds.phase_curve * grid_bend + bounds.phase_rest * doubled


@sample_loop
def _double(row: Samples, half: Samples, first: int, count: int, grid: Samples, between: Samples) -> None:
    """Fill the doubled grid: grid[2k] is sample first + k, grid[2k + 1] the value midway to the next.

    `between` is room for the latter.
    """
    for k in range(count):
        between[k] = 0.0
    for tap in range(HALF_TAPS // 2):
        weight, near, far = half[tap], first + tap - HALF_TAPS // 2 + 1, first + HALF_TAPS // 2 - tap
        one, other = row[near : near + count], row[far : far + count]
        for k in range(count):
            between[k] += weight * (one[k] + other[k])
    for k in range(count):
        grid[2 * k] = row[first + k]
        grid[2 * k + 1] = between[k]


@sample_loop
def _search(
    grid: Samples, phase: Samples, bounds: Bounds, count: int, start: float, prune: bool
) -> tuple[float, float]:
    """Look through the doubled grid of `count` samples, and between its points where the bound allows a new peak.

    Gives the peak and its place in samples, -1 where nothing exceeds `start`.
    """
    peak, place = start, -1.0
    for first in range(2 * EDGE, 2 * (EDGE + count), PART):
        last = min(first + PART, 2 * (EDGE + count))
        largest = largest_abs(grid[first - 2 * EDGE : last + 2 * EDGE])
        if prune and largest * (bounds.near + bounds.far) <= peak:
            continue
        bend = largest_bend(grid[first - 2 * EDGE : last + 2 * EDGE])
        curve = (bounds.phase_curve * bend + bounds.phase_rest * largest) * SLACK
        if prune and largest + curve <= peak:
            continue
        for n in range(first, last):
            here = max(abs(grid[n]), abs(grid[n + 1]))
            if prune and min(bounds.near * here + bounds.far * largest, here + curve) <= peak:
                continue
            if abs(grid[n]) > peak:
                peak, place = abs(grid[n]), 0.5 * n - EDGE
            between, j = _between(grid, phase, n, peak)
            if j >= 0:
                peak, place = between, 0.5 * n - EDGE + 0.5 * (j + 1) / PHASES
    return peak, place


@sample_loop
def _between(grid: Samples, phase: Samples, n: int, start: float) -> tuple[float, int]:
    """The largest absolute value between two points of the doubled grid, if above `start`; its phase, or -1.

    Four phases at a time, so that no sum waits for itself.
    """
    peak, at, window = start, -1, grid[n - PHASE_TAPS // 2 + 1 : n + PHASE_TAPS // 2 + 1]
    for j in range(0, PHASES, 4):
        a = b = c = d = 0.0
        for tap in range(PHASE_TAPS):
            point = window[tap]
            a += phase[tap, j] * point
            b += phase[tap, j + 1] * point
            c += phase[tap, j + 2] * point
            d += phase[tap, j + 3] * point
        largest = max(abs(a), abs(b), abs(c), abs(d))
        if largest > peak:
            peak = largest
            at = j + (0 if largest == abs(a) else 1 if largest == abs(b) else 2 if largest == abs(c) else 3)
    return peak, at
