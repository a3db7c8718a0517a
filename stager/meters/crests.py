"""Climbs the crests of a row and measures their tops: the compiled loops of the meter of flat tops.

A crest is measured at each tolerance, and what lies within a finer tolerance as well is measured once. Of the tops of
one level the first 4,096 are looked at closely; the shape of any further one is taken to be as that of those.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from stager.compiled import sample_loop
from stager.meters.lanes import lowest_and_highest
from stager.meters.peak import Samples

BINS: Final = 64
"""Levels under the extreme that are told apart, each a step of the grid wide."""
MOST_STARTS: Final = 20
MOST_FRAMES: Final = 8192
"""A top that is longer counts as ended: no sound rests for 0.17 s (own figure)."""
MOST_SHAPED: Final = 4096
"""Tops of one level whose shape is looked at: enough for any share of them (own figure)."""
CHUNK: Final = 64
CONTEXT: Final = 4
"""Samples before and behind a top that its shape is judged by."""
LEAST_LINEAR: Final = 2.0**-9
"""Crests under -54 dBFS are not looked at: the coarsest step is no longer small against them (own figure)."""
FLAT_FACTOR: Final = 2.0
"""How many times steeper than a round crest's a fall must be; room for crests that are no parabola (own figure)."""
VARIED_FACTOR: Final = 8.0
"""How many tolerances apart the bends of two short tops must be to be different: where a round crest lies
between the samples moves them by two (worked arithmetic)."""
MOST_LEANING: Final = 0.001
"""A crest with the bend b is down by a tolerance t where it lies about the root of t / b of a sample aside, and one
that leans moves its neighbours by that part of their fall, the root of t * b: by so much, and no more than this, bends
must differ as well (worked geometry; the most is eight of the coarsest tolerances)."""
MOST_KINDS: Final = 3
"""Different shapes of short tops that are counted at a level."""
STEP_SHARE: Final = 0.02
"""Part of the level that a top must fall in one step, and then rest, to be of a staircase (own figure)."""

EVENTS, FRAMES, LONGEST, LONGEST_AT, KINDS, FLAT, FLAT_FRAMES, SHORT, PAIRS, VARIED, STEPPED = range(11)
COUNTS: Final = 11
SHAPES: Final = slice(FLAT, COUNTS)
"""The counts that are of the shape."""
LAST_BEND, BEND_SUM, STEEP_SUM, FIRST_BEND, SECOND_BEND = range(5)
SUMS: Final = 5


class Side(NamedTuple):
    """What is known of one side of one channel: by scale and bin, in rings whose place is the level modulo `BINS`."""

    highest: NDArray[np.int64]
    """bin of the extreme, by scale"""
    counts: NDArray[np.int64]
    """(scales, bins, COUNTS)"""
    sums: Samples
    """(scales, bins, SUMS)"""
    starts: NDArray[np.int64]
    """(scales, bins, MOST_STARTS), in order of time"""


def empty_side(scales: int) -> Side:
    """Give a side on which nothing was found yet."""
    return Side(
        np.zeros(scales, np.int64),
        np.zeros((scales, BINS, COUNTS), np.int64),
        np.zeros((scales, BINS, SUMS)),
        np.zeros((scales, BINS, MOST_STARTS), np.int64),
    )


@sample_loop
def chunk_extents(row: Samples) -> Samples:
    """Give the largest value of each side, sign left out, of every `CHUNK` samples of a row, (chunks, 2)."""
    extents = np.empty((-(-row.shape[0] // CHUNK), 2))
    for chunk in range(extents.shape[0]):
        low, high = lowest_and_highest(row[chunk * CHUNK : (chunk + 1) * CHUNK])
        extents[chunk, 0], extents[chunk, 1] = high, -low
    return extents


@sample_loop
def scan_crests(
    row: Samples, extents: Samples, sign: float, place: int, first: int, limits: Samples, side: Side
) -> int:
    """Take in every crest of a row from `place` on that ends in it; give where to go on. `first` is its first frame.

    `extents` are those of this side, from `chunk_extents`.
    """
    coarsest = limits.shape[0] - 1
    frames, checked = row.shape[0], place
    while place < frames:
        gate = max(LEAST_LINEAR, (side.highest[coarsest] - BINS) * limits[coarsest, 0])
        if place >= checked:
            checked = min(frames, (place // CHUNK + 1) * CHUNK)
            if extents[place // CHUNK] < gate:
                place = checked
                continue
        value = sign * row[place]
        if value < gate or value <= sign * row[place - 1]:
            place += 1
            continue
        end, crest = _crest(row, sign, place, limits[coarsest, 1])
        if end + CONTEXT > frames:
            return place
        _take(row, sign, (place, end, crest, first), limits, side)
        place = end
    return place


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
def _take(row: Samples, sign: float, where: tuple[int, int, int, int], limits: Samples, side: Side) -> None:
    """Measure the top of a crest at each tolerance, the coarsest first, and add it to its bins where it is high enough.

    What lies within a finer tolerance as well is the same top, and is not measured again.
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
            _raise(number, level, side)
        if number == limits.shape[0] - 1 or lowest < top - reach:
            low, high, lowest = _within(row, sign, (start, end, crest), reach)
            is_shaped = False
        place, width = level % BINS, high - low + 1
        events = side.counts[number, place, EVENTS]
        side.counts[number, place, EVENTS] += 1
        side.counts[number, place, FRAMES] += width
        if width > side.counts[number, place, LONGEST]:
            side.counts[number, place, LONGEST] = width
            side.counts[number, place, LONGEST_AT] = first_frame + low
        if events < MOST_STARTS:
            side.starts[number, place, events] = first_frame + low
        if events < MOST_SHAPED:
            if not is_shaped:
                shape, is_shaped = _shape(row, sign, low, high, top), True
            _add(width, top, shape, reach + step, (number, place), side)


@sample_loop
def _within(row: Samples, sign: float, where: tuple[int, int, int], reach: float) -> tuple[int, int, float]:
    """Give the first and the last sample beside a crest within `reach` under it, and the lowest of them all."""
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
    """Give how a top falls off: within four samples, in its bend, in one step, and how far it moves after that step."""
    fall = min(_fall(row, sign, top, low, -1), _fall(row, sign, top, high, 1)) if high - low > 1 else 0.0
    bend = 2.0 * top - sign * (row[low - 1] + row[high + 1])
    drop = min(abs(row[low - 1] - row[low]), abs(row[high + 1] - row[high]))
    moves = max(abs(row[low - 1] - row[low - 2]), abs(row[high + 1] - row[high + 2]))
    return fall, bend, drop, moves


@sample_loop
def _add(
    width: int,
    top: float,
    shape: tuple[float, float, float, float],
    tolerance: float,
    at: tuple[int, int],
    side: Side,
) -> None:
    """Count the shape of a top in its bin: as stairs, as flat, or with how the neighbours of a short one lie."""
    counts, sums, scale, place = side.counts, side.sums, at[0], at[1]
    fall, bend, drop, moves = shape
    counts[scale, place, STEPPED] += drop >= STEP_SHARE * top and moves <= tolerance
    if width > 2:
        half = 0.5 * (width - 1)
        if fall > FLAT_FACTOR * tolerance * ((half + CONTEXT) / half) ** 2:
            counts[scale, place, FLAT] += 1
            counts[scale, place, FLAT_FRAMES] += width
            sums[scale, place, STEEP_SUM] += fall * width / (CONTEXT * top)
        return
    room = max(VARIED_FACTOR * tolerance, min(MOST_LEANING, np.sqrt(tolerance * max(bend, 0.0))))
    counts[scale, place, VARIED] += counts[scale, place, SHORT] > 0 and abs(bend - sums[scale, place, LAST_BEND]) > room
    _add_kind(bend, room, counts[scale, place], sums[scale, place])
    sums[scale, place, LAST_BEND] = bend
    sums[scale, place, BEND_SUM] += bend
    counts[scale, place, SHORT] += 1
    counts[scale, place, PAIRS] += width == 2


@sample_loop
def _add_kind(bend: float, room: float, counts: NDArray[np.int64], sums: Samples) -> None:
    """Count a short top whose bend is another than that of each kind before it."""
    kinds = counts[KINDS]
    if kinds == MOST_KINDS:
        return
    if (kinds > 0 and abs(bend - sums[FIRST_BEND]) <= room) or (kinds > 1 and abs(bend - sums[SECOND_BEND]) <= room):
        return
    if kinds < MOST_KINDS - 1:
        sums[FIRST_BEND + kinds] = bend
    counts[KINDS] += 1


@sample_loop
def _fall(row: Samples, sign: float, top: float, edge: int, step: int) -> float:
    """How far the samples beside an edge lie under the top, at the deepest."""
    deepest = 0.0
    for distance in range(1, CONTEXT + 1):
        deepest = max(deepest, top - sign * row[edge + step * distance])
    return deepest


@sample_loop
def _raise(scale: int, level: int, side: Side) -> None:
    """Let a level be the highest, and empty the bins that it comes to reuse."""
    for fresh in range(max(side.highest[scale] + 1, level - BINS + 1), level + 1):
        side.counts[scale, fresh % BINS] = 0
        side.sums[scale, fresh % BINS] = 0.0
    side.highest[scale] = level
