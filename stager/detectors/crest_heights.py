"""Crest heights: how high the waveform swings, counted by level, channel and side while a file passes.

Clipping ends many crests at one level. A codec or a resampler behind it moves each of them a little, so that no two
samples are equal any more, but the heights of the crests still pile up around that level. Heights are read from the
waveform at 4 times the rate, since a crest that was cut lies between two samples after resampling. A crest is the
highest point of a swing, which ends where the waveform falls under half of it. `README.md` in this folder says how the
heights are judged. Source: the amplitude histogram of Eaton and Naylor, EUSIPCO 2013 (from memory), here of crests
instead of samples.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from stager.detectors.clipping_loops import CHUNK, LEAST_LINEAR, chunk_extents
from stager.meters.peak import Samples
from stager.model.damage import CrestPile
from stager.system.jit import sample_loop
from stager.units import linear_from_db

TAPS: Final = 12
BETA: Final = 5.0
"""Kaiser window of the interpolator: crests of up to 0.4 of the rate to 2 %, a bin or two (arithmetic)."""
PARTS: Final = 4
"""The waveform is read at this many times the rate."""
LOG_WIDTH: Final = float(np.log(linear_from_db(0.1)))
"""Width of a level, 0.1 dB, as a natural logarithm."""
BINS: Final = 900
GATE: Final = 0.44
"""Crests under this part of the highest one are not needed: a pile is looked for down to `DEPTH` bins under it."""
GATE_BINS: Final = 70
"""Bins under the highest crest that the gate leaves whole (arithmetic: 7.1 dB)."""
NEAR: Final = 0.9
"""A sample from this part of the gate on may have a crest above the gate beside it."""
DEPTH: Final = 50
"""Bins under the highest crest down to which a pile is looked for, 5 dB: a codec adds so much to few crests only."""
WIDTHS: Final = (3, 5, 8, 12)
"""Bins that a pile may span: 0.3 dB as a resampler leaves it, up to 0.8 as a codec does (empirical: precoded)."""
BAND: Final = slice(11, 19)
"""Bins under a pile's middle that it is compared with: 12 to 20 % under it."""
LEAST_EVENTS: Final = 12
"""Crests of a pile, at least: fewer agree by chance (empirical: precoded)."""
ABOVE_SHARE: Final = 0.3
"""Crests above a pile over those in it, at most: whatever clipped let nothing pass (empirical: precoded)."""

HIGHEST, TOP, TOP_CURVATURE, TOP_FRAME = range(4)
CURVATURES, SQUARES = range(2)


class Side(NamedTuple):
    """The crests of one side of one channel by level, and the swing that is not over yet."""

    counts: NDArray[np.int64]
    """(bins,)"""
    firsts: NDArray[np.int64]
    """(bins,), the frame of the first crest of each level"""
    sums: Samples
    """(bins, 2), of the curvature over the height, and of its square"""
    state: Samples
    """(4,), the highest crest so far, and height, curvature and frame of the present one; 0 for none"""


def _phases() -> Samples:
    """Return the taps for a quarter, a half and three quarters of the way to the next sample, (3, taps)."""
    points = np.arange(1 - TAPS // 2, TAPS // 2 + 1, dtype=np.float64)
    rows = [points - part / PARTS for part in range(1, PARTS)]
    taps = [np.sinc(row) * np.i0(BETA * np.sqrt(np.maximum(0.0, 1.0 - (2.0 * row / TAPS) ** 2))) for row in rows]
    return np.array([row / row.sum() for row in taps])


PHASES: Final = _phases()


class CrestHeightMeter:
    """Counts the crests of each channel by height in bounded memory; any cut into blocks gives the same."""

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._sides = [[_empty_side() for _ in (1.0, -1.0)] for _ in range(channels)]
        self._kept = np.zeros((2 * TAPS, channels))
        self._first = -2 * TAPS

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        window = np.concatenate((self._kept, block))
        for channel, sides in enumerate(self._sides):
            row = np.ascontiguousarray(window[:, channel])
            extents = chunk_extents(row)
            for number, (sign, side) in enumerate(zip((1.0, -1.0), sides, strict=True)):
                _count_crests(row, np.ascontiguousarray(extents[:, number]), sign, self._first, PHASES, side)
        self._kept = window[-2 * TAPS :].copy()
        self._first += len(block)

    def result(self) -> tuple[CrestPile, ...]:
        """Return the densest pile of each channel and side that has one; silence follows the last sample."""
        self.update(np.zeros((2 * TAPS, self._channels)))
        found = [
            _densest(channel, sign, side)
            for channel, sides in enumerate(self._sides)
            for sign, side in zip((1.0, -1.0), sides, strict=True)
        ]
        return tuple(pile for pile in found if pile is not None)


def _empty_side() -> Side:
    return Side(np.zeros(BINS, np.int64), np.zeros(BINS, np.int64), np.zeros((BINS, 2)), np.zeros(4))


def _densest(channel: int, sign: float, side: Side) -> CrestPile | None:
    """Return the pile that stands highest over the band under it; None where there are too few crests."""
    highest = int(np.max(np.flatnonzero(side.counts), initial=0))
    if highest < BAND.stop:
        return None
    total = np.concatenate(([0], np.cumsum(side.counts)))
    middles = np.arange(max(BAND.stop, highest - DEPTH), highest + 1)
    beneath = (total[middles - BAND.start] - total[middles - BAND.stop] + 2) / (BAND.stop - BAND.start)
    best, at = 0.0, (0, 0)
    for width in WIDTHS:
        lows, highs = middles - width // 2, np.minimum(highest + 1, middles + width - width // 2)
        events = total[highs] - total[lows]
        is_pile = (events >= LEAST_EVENTS) & (total[-1] - total[highs] <= ABOVE_SHARE * events)
        densities = np.where(is_pile, events / (highs - lows) / beneath, 0.0)
        most = int(np.argmax(densities))
        if densities[most] > best:
            best, at = float(densities[most]), (int(lows[most]), int(highs[most]))
    return _pile(channel, sign, side, best, at) if best else None


def _pile(channel: int, sign: float, side: Side, density: float, at: tuple[int, int]) -> CrestPile:
    part = slice(*at)
    events, highest = int(side.counts[part].sum()), int(np.flatnonzero(side.counts)[-1])
    mean, square = (side.sums[part].sum(axis=0) / events).tolist()
    firsts = side.firsts[part][side.counts[part] > 0]
    return CrestPile(
        channel=channel,
        level_linear=sign * LEAST_LINEAR * float(np.exp(0.5 * LOG_WIDTH * (at[0] + at[1]))),
        events=events,
        above_events=int(side.counts[at[1] :].sum()),
        density_ratio=density,
        below_events=int(side.counts[max(0, highest - GATE_BINS) : at[0]].sum()),
        curvature_variation=float(np.sqrt(max(0.0, square - mean**2)) / max(abs(mean), 1e-9)),
        starts=tuple(np.sort(firsts).tolist()),
    )


@sample_loop
def _count_crests(row: Samples, extents: Samples, sign: float, first: int, phases: Samples, side: Side) -> None:
    """Count the crests of a window whose first sample is frame `first`; its first and last `TAPS` are surroundings."""
    state, position, end = side.state, TAPS, row.shape[0] - TAPS
    near, half = NEAR * max(LEAST_LINEAR, GATE * state[HIGHEST]), 0.5 * state[TOP]
    while position < end:
        is_idle = half == 0.0 and position % CHUNK == 0 and position + CHUNK <= end
        if is_idle and extents[position // CHUNK] < near:
            position += CHUNK
            continue
        value = sign * row[position]
        if half > 0.0 and value < half:
            _count(side)
            near, half = NEAR * max(LEAST_LINEAR, GATE * state[HIGHEST]), 0.0
        if value >= near and value >= sign * row[position - 1] and value > sign * row[position + 1]:
            height, curvature = _height(row, sign, position, phases)
            if height > state[TOP]:
                state[TOP], state[TOP_CURVATURE], state[TOP_FRAME] = height, curvature / height, first + position
                half = 0.5 * height
        position += 1


@sample_loop
def _count(side: Side) -> None:
    """Count the swing that is over."""
    state = side.state
    level = int(np.floor(np.log(state[TOP] / LEAST_LINEAR) / LOG_WIDTH))
    level = max(0, min(BINS - 1, level))
    if side.counts[level] == 0:
        side.firsts[level] = int(state[TOP_FRAME])
    side.counts[level] += 1
    side.sums[level, CURVATURES] += state[TOP_CURVATURE]
    side.sums[level, SQUARES] += state[TOP_CURVATURE] * state[TOP_CURVATURE]
    state[HIGHEST] = max(state[HIGHEST], state[TOP])
    state[TOP] = 0.0


@sample_loop
def _height(row: Samples, sign: float, at: int, phases: Samples) -> tuple[float, float]:
    """Return the height of a crest near a sample, and how far the points one sample beside it lie under it, summed."""
    best, base, phase = sign * row[at], at, -1
    for start in (at - 1, at):
        for number in range(phases.shape[0]):
            value = sign * _between(row, start, phases[number])
            if value > best:
                best, base, phase = value, start, number
    if phase < 0:
        return best, 2.0 * best - sign * (row[base - 1] + row[base + 1])
    beside = _between(row, base - 1, phases[phase]) + _between(row, base + 1, phases[phase])
    return best, 2.0 * best - sign * beside


@sample_loop
def _between(row: Samples, start: int, taps: Samples) -> float:
    """Return the waveform between a sample and the next, by one phase of the interpolator."""
    value, left = 0.0, start - TAPS // 2 + 1
    for tap in range(TAPS):
        value += taps[tap] * row[left + tap]
    return value
