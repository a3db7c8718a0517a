"""Coordinates of levels, places and outlines. Pure; the template draws them as inline SVG.

Places along a picture are in percent of its width, so that a picture fits any screen while its words keep their size.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor
from typing import Final

from stager.model import Finding
from stager.model.bus import Pairs

COLUMNS: Final = 500
"""Points of an outline: as many as a picture has pixels on a phone, half as many as an overview has stretches."""
HALF_HEIGHT: Final = 100
"""Half the height of an outline, in its own units."""
TICK_DB: Final = 6
LOWEST_DB: Final = -78.0
ROOM_DB: Final = 2.0
NEAR: Final = 0.03
"""Places closer than this part of the length are one place on the picture: their numbers would cover each other."""
MOST_PLACES: Final = 8


@dataclass(frozen=True)
class Axis:
    """A decibel axis from `low_db` to `high_db`, the same for every stem, so that stems can be compared by eye."""

    low_db: float
    high_db: float

    def at(self, level_db: float) -> float:
        """Return the position of a level in percent; one beyond an end is put at that end."""
        share = (level_db - self.low_db) / (self.high_db - self.low_db)
        return round(100.0 * min(1.0, max(0.0, share)), 2)

    @property
    def ticks(self) -> tuple[tuple[int, float], ...]:
        """The levels that have a line, each with its place."""
        first = ceil(self.low_db / TICK_DB) * TICK_DB
        return tuple((level, self.at(level)) for level in range(first, floor(self.high_db) + 1, TICK_DB))


def axis_for(levels_db: Iterable[float]) -> Axis:
    """Return an axis that holds all these levels, and 0, with room at both ends."""
    found = [max(LOWEST_DB, level) for level in levels_db]
    low = floor((min(found, default=-24.0) - ROOM_DB) / TICK_DB) * TICK_DB
    return Axis(float(min(low, -24)), max(0.0, max(found, default=0.0)) + ROOM_DB)


@dataclass(frozen=True)
class Place:
    """A place in time: its number on the picture, s from the start, percent of the length.

    It stands for `count` places that lie close together; `is_worst` where the one to listen to is among them.
    """

    number: int
    at_s: float
    percent: float
    count: int
    is_worst: bool


def places(finding: Finding, duration_s: float, first_number: int) -> tuple[Place, ...]:
    """Return the places of a finding in order of time, those close together as one; the worst is always among them."""
    at_s = sorted({*finding.at_s, *([] if finding.worst_at_s is None else [finding.worst_at_s])})
    groups = _grouped(at_s, NEAR * duration_s)
    if len(groups) > MOST_PLACES:
        worst = [group for group in groups if finding.worst_at_s in group]
        others = [group for group in groups if group not in worst]
        groups = sorted(worst + others[: MOST_PLACES - len(worst)])
    return tuple(
        _place(group, number, duration_s, finding.worst_at_s) for number, group in enumerate(groups, first_number)
    )


def percent_of(at_s: float, duration_s: float) -> float:
    """Return a place in percent of the length."""
    return round(100.0 * min(1.0, max(0.0, at_s / duration_s)), 2) if duration_s > 0.0 else 0.0


def tallest(channels: Iterable[Pairs]) -> float:
    """Return the largest sample of an overview, 1.0 at full scale; 0.0 for silence."""
    return max((max(-low, high) for channel in channels for low, high in channel), default=0.0)


def lanes(channels: Sequence[Pairs], full_linear: float) -> tuple[str, ...]:
    """Return an outline for each channel of one or two, or one for all of more; `full_linear` fills half the height."""
    if len(channels) > 2:
        channels = [
            tuple((min(low for low, _ in pair), max(high for _, high in pair)) for pair in zip(*channels, strict=True))
        ]
    return tuple(outline(channel, full_linear) for channel in channels)


def outline(pairs: Pairs, full_linear: float) -> str:
    """Return the closed path around a waveform: x a column each, y from -100, `full_linear` up, to 100.

    Path data as in SVG 2, clause 9.3: after the first point every step is relative, since small numbers are short.
    """
    rows = _fewer(pairs)
    scale = HALF_HEIGHT / full_linear if full_linear > 0.0 else 0.0
    tops = [(x, -round(high * scale)) for x, (_, high) in enumerate(rows)]
    bottoms = [(x, -round(low * scale)) for x, (low, _) in enumerate(rows)]
    points = [*tops, *reversed(bottoms)]
    if not points:
        return ""
    steps = (f"{x - before_x} {y - before_y}" for (before_x, before_y), (x, y) in pairwise(points))
    return f"M{points[0][0]} {points[0][1]}l{' '.join(steps)}z"


def columns_of(pairs: Pairs) -> int:
    """Return the width of an outline in its own units."""
    return max(1, len(_fewer(pairs)) - 1)


def _fewer(pairs: Pairs) -> Pairs:
    """Return at most as many stretches as an outline has columns, each with the extremes of those that it replaces."""
    size = max(1, -(-len(pairs) // COLUMNS))
    parts = (pairs[start : start + size] for start in range(0, len(pairs), size))
    return tuple((min(low for low, _ in part), max(high for _, high in part)) for part in parts)


def _grouped(at_s: Sequence[float], near_s: float) -> list[list[float]]:
    groups: list[list[float]] = []
    for place in at_s:
        if groups and place - groups[-1][0] < near_s:
            groups[-1].append(place)
        else:
            groups.append([place])
    return groups


def _place(group: Sequence[float], number: int, duration_s: float, worst_at_s: float | None) -> Place:
    is_worst = worst_at_s in group
    at_s = worst_at_s if is_worst and worst_at_s is not None else group[0]
    return Place(number, at_s, percent_of(at_s, duration_s), len(group), is_worst)
