"""The compiled loops behind `clipping`: find each crest of a channel, and measure its top at every tolerance.

The shape of a top is measured for the first 4,096 tops of a level; later ones are assumed to have the same shapes.
`row` is one channel of a window; `sign` is 1.0 for crests upwards and -1.0 for crests downwards.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from stager.detectors.dropout_loops import BACK, ON
from stager.meters.lanes import lowest_and_highest
from stager.meters.peak import Samples
from stager.system.jit import sample_loop

BINS: Final = 64
"""Levels under the extreme that are counted apart, each one step wide."""
MOST_STARTS: Final = 20
MOST_FRAMES: Final = 8192
"""A longer top counts as ended: no sound stays at its crest for 0.17 s (assumption)."""
MOST_SHAPED: Final = 4096
"""Tops of one level whose shape is measured: a share of 2 % is then known to 0.2 % (arithmetic, binomial)."""
CHUNK: Final = 64
"""Samples that are skipped at once where their extreme is too low."""
CONTEXT: Final = 4
"""Samples before and after a top that its shape is measured from."""
LEAST_LINEAR: Final = 2.0**-9
"""Crests under -54 dBFS are ignored: a step of 16 bits is no longer small against them (arithmetic: 1 in 64)."""
FLAT_FACTOR: Final = 2.0
"""How many times deeper than a parabola's the fall beside a top must be (empirical: takes, clean look-alikes)."""
VARIED_FACTOR: Final = 8.0
"""Tolerances by which the curvatures of two short tops must differ to count as different: the position of a round crest
between two samples alone changes them by two (arithmetic)."""
MOST_LEANING: Final = 0.001
"""Curvatures must also differ by sqrt(tolerance * curvature), but by no more than this. A crest of curvature c that is
sqrt(tolerance / c) of a sample aside is down by the tolerance, and an asymmetric one then moves its neighbours by that
part of their fall (geometry; the limit is eight of the coarsest tolerances)."""
MOST_DISTINCT: Final = 3
"""Distinct shapes of short tops that are counted at a level; more say nothing new."""
STEP_SHARE: Final = 0.02
"""Part of the level by which a stepped wave falls from one sample to the next, and then rests (empirical: takes,
square, pulse and crushed sounds)."""

EVENTS, FRAMES, LONGEST, LONGEST_AT, DISTINCT_SHAPES, FLAT, FLAT_FRAMES, SHORT, PAIRS, VARIED, STEPPED = range(11)
COUNTS: Final = 11
SHAPES: Final = slice(FLAT, COUNTS)
"""The counts that describe shapes."""
LAST_CURVATURE, CURVATURE_SUM, STEEP_SUM, FIRST_CURVATURE, SECOND_CURVATURE = range(5)
SUMS: Final = 5


class Side(NamedTuple):
    """The tops of one side of one channel, by scale and bin; a level has the slot level modulo `BINS`."""

    highest: NDArray[np.int64]
    """level of the extreme in steps, by scale"""
    counts: NDArray[np.int64]
    """(scales, bins, COUNTS)"""
    sums: Samples
    """(scales, bins, SUMS)"""
    starts: NDArray[np.int64]
    """(scales, bins, MOST_STARTS), in order of time"""


def empty_side(scales: int) -> Side:
    """Return a side without tops."""
    return Side(
        np.zeros(scales, np.int64),
        np.zeros((scales, BINS, COUNTS), np.int64),
        np.zeros((scales, BINS, SUMS)),
        np.zeros((scales, BINS, MOST_STARTS), np.int64),
    )


@sample_loop
def chunk_extents(row: Samples) -> Samples:
    """Return how far every `CHUNK` samples of a row reach upwards and downwards, (chunks, 2)."""
    extents = np.empty((-(-row.shape[0] // CHUNK), 2))
    for chunk in range(extents.shape[0]):
        low, high = lowest_and_highest(row[chunk * CHUNK : (chunk + 1) * CHUNK])
        extents[chunk, 0], extents[chunk, 1] = high, -low
    return extents


@sample_loop
def scan_crests(
    row: Samples, extents: Samples, sign: float, position: int, first: int, limits: Samples, side: Side
) -> int:
    """Measure every crest from `position` on that ends in the row; return the position to go on from.

    `first` is the frame of the row's first sample; `extents` are those of this side, from `chunk_extents`.
    """
    coarsest = limits.shape[0] - 1
    frames, checked = row.shape[0], position
    while position < frames:
        gate = max(LEAST_LINEAR, (side.highest[coarsest] - BINS) * limits[coarsest, 0])
        if position >= checked:
            checked = min(frames, (position // CHUNK + 1) * CHUNK)
            if extents[position // CHUNK] < gate:
                position = checked
                continue
        value = sign * row[position]
        if value < gate or value <= sign * row[position - 1]:
            position += 1
            continue
        end, crest = _crest(row, sign, position, limits[coarsest, 1])
        if end + CONTEXT > frames:
            return position
        _measure_top(row, sign, (position, end, crest, first), limits, side)
        position = end
    return position


@sample_loop
def _crest(row: Samples, sign: float, start: int, reach: float) -> tuple[int, int]:
    """Return where the row has fallen by more than `reach` under its highest sample since `start`, and that sample."""
    end, crest, top = start, start, sign * row[start]
    while end < row.shape[0] and end - start < MOST_FRAMES and sign * row[end] >= top - reach:
        if sign * row[end] > top:
            top, crest = sign * row[end], end
        end += 1
    return end, crest


@sample_loop
def _measure_top(row: Samples, sign: float, where: tuple[int, int, int, int], limits: Samples, side: Side) -> None:
    """Measure the top of a crest at each tolerance, the coarsest first, and count it where it is near the extreme.

    Where the whole top lies within a finer tolerance too, it is not measured again.
    """
    start, end, crest, first_frame = where
    top, lowest = sign * row[crest], np.inf
    low, high, shape, is_shaped = crest, crest, (0.0, 0.0, 0.0, 0.0), False
    for number in range(limits.shape[0] - 1, -1, -1):
        step, reach = limits[number, 0], limits[number, 1]
        level = int(np.floor(top / step + 0.5))
        if level <= side.highest[number] - BINS:
            continue
        if level > side.highest[number]:
            _raise_highest(number, level, side)
        if number == limits.shape[0] - 1 or lowest < top - reach:
            low, high, lowest = _within(row, sign, (start, end, crest), reach)
            is_shaped = False
        position, width = level % BINS, high - low + 1
        events = side.counts[number, position, EVENTS]
        side.counts[number, position, EVENTS] += 1
        side.counts[number, position, FRAMES] += width
        if width > side.counts[number, position, LONGEST]:
            side.counts[number, position, LONGEST] = width
            side.counts[number, position, LONGEST_AT] = first_frame + low
        if events < MOST_STARTS:
            side.starts[number, position, events] = first_frame + low
        if events < MOST_SHAPED:
            if not is_shaped:
                shape, is_shaped = _shape(row, sign, low, high, top), True
            _count_shape(width, top, shape, reach + step, (number, position), side)


@sample_loop
def _within(row: Samples, sign: float, where: tuple[int, int, int], reach: float) -> tuple[int, int, float]:
    """Return the first and last sample around a crest within `reach` under it, and the lowest value among them."""
    start, end, crest = where
    lowest = top = sign * row[crest]
    low, high = crest, crest
    while low > start and sign * row[low - 1] >= top - reach:
        low -= 1
        lowest = min(lowest, sign * row[low])
    while high + 1 < end and sign * row[high + 1] >= top - reach:
        high += 1
        lowest = min(lowest, sign * row[high])
    return low, high, lowest


@sample_loop
def _shape(row: Samples, sign: float, low: int, high: int, top: float) -> tuple[float, float, float, float]:
    """Return the shape of a top: fall within four samples, curvature, smaller edge step, larger movement beyond it."""
    fall = min(_fall(row, sign, top, low, BACK), _fall(row, sign, top, high, ON)) if high - low > 1 else 0.0
    curvature = 2.0 * top - sign * (row[low - 1] + row[high + 1])
    drop = min(abs(row[low - 1] - row[low]), abs(row[high + 1] - row[high]))
    moves = max(abs(row[low - 1] - row[low - 2]), abs(row[high + 1] - row[high + 2]))
    return fall, curvature, drop, moves


@sample_loop
def _count_shape(
    width: int,
    top: float,
    shape: tuple[float, float, float, float],
    tolerance: float,
    at: tuple[int, int],
    side: Side,
) -> None:
    """Count the shape of a top in its bin: stepped, flat, or short with its curvature."""
    counts, sums, scale, position = side.counts, side.sums, at[0], at[1]
    fall, curvature, drop, moves = shape
    counts[scale, position, STEPPED] += drop >= STEP_SHARE * top and moves <= tolerance
    if width > 2:
        half = 0.5 * (width - 1)
        if fall > FLAT_FACTOR * tolerance * ((half + CONTEXT) / half) ** 2:
            counts[scale, position, FLAT] += 1
            counts[scale, position, FLAT_FRAMES] += width
            sums[scale, position, STEEP_SUM] += fall * width / (CONTEXT * top)
        return
    room = max(VARIED_FACTOR * tolerance, min(MOST_LEANING, np.sqrt(tolerance * max(curvature, 0.0))))
    counts[scale, position, VARIED] += (
        counts[scale, position, SHORT] > 0 and abs(curvature - sums[scale, position, LAST_CURVATURE]) > room
    )
    _count_distinct(curvature, room, counts[scale, position], sums[scale, position])
    sums[scale, position, LAST_CURVATURE] = curvature
    sums[scale, position, CURVATURE_SUM] += curvature
    counts[scale, position, SHORT] += 1
    counts[scale, position, PAIRS] += width == 2


@sample_loop
def _count_distinct(curvature: float, room: float, counts: NDArray[np.int64], sums: Samples) -> None:
    """Count a short top whose curvature differs from those of the distinct shapes before it."""
    distinct = counts[DISTINCT_SHAPES]
    if distinct == MOST_DISTINCT:
        return
    if (distinct > 0 and abs(curvature - sums[FIRST_CURVATURE]) <= room) or (
        distinct > 1 and abs(curvature - sums[SECOND_CURVATURE]) <= room
    ):
        return
    if distinct < MOST_DISTINCT - 1:
        sums[FIRST_CURVATURE + distinct] = curvature
    counts[DISTINCT_SHAPES] += 1


@sample_loop
def _fall(row: Samples, sign: float, top: float, edge: int, step: int) -> float:
    """Return how far under the top the lowest of the samples beside an edge lies."""
    deepest = 0.0
    for distance in range(1, CONTEXT + 1):
        deepest = max(deepest, top - sign * row[edge + step * distance])
    return deepest


@sample_loop
def _raise_highest(scale: int, level: int, side: Side) -> None:
    """Make a level the highest, and clear the bins that are reused for it and those under it."""
    for fresh in range(max(side.highest[scale] + 1, level - BINS + 1), level + 1):
        side.counts[scale, fresh % BINS] = 0
        side.sums[scale, fresh % BINS] = 0.0
    side.highest[scale] = level
