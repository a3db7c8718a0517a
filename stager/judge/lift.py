"""A player's lift: by how much a part is played louder in takes than in the level checks before them. Pure.

A level check is a take whose name says so, or the first short one of its part. Each take that follows a check under one
input gain makes a pair with it: an input that was turned moves the noise as well as the playing, and such a pair is
left out. A check and all its takes count as one pair, by their median, since takes of one evening are not independent.
A clipped take counts: its rise is a least one, and a median is right while fewer than half of all are. From
`FEWEST_PAIRS` on the median rise is known well enough to be allowed for.
"""

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from pathlib import PurePosixPath
from statistics import median
from typing import Final

from stager.judge.take_comparison import part_of
from stager.model.limits import TakeLimits
from stager.model.takes import LearnedLift, LiftPair, TakeLevels

FEWEST_PAIRS: Final = 5
"""Pairs from which a lift is allowed for (own figure: the median of five strays by half the spread of one)."""
CHECK_WORDS: Final = re.compile(r"(?<![^\W\d_])(?:check|level|levels|soundcheck)(?![^\W\d_])")
"""Marks of a level check in a name (common practice, no source)."""


def is_marked(stem: str) -> bool:
    """Return whether the name of a take says that it is a level check."""
    return CHECK_WORDS.search(PurePosixPath(stem).stem.casefold()) is not None


def is_level_check(stem: str, duration_s: float, earlier: Iterable[str], limits: TakeLimits | None = None) -> bool:
    """Return whether a take is a level check: by a mark in its name, or as the first short one of its part.

    `earlier` are the paths of the takes before it.
    """
    if is_marked(stem):
        return True
    is_short = duration_s < (limits or TakeLimits()).level_check_s
    return is_short and all(checked_part(other) != checked_part(stem) for other in earlier)


def checked_part(stem: str) -> str:
    """Return the part that a take's path names, without the mark of a level check."""
    path = PurePosixPath(stem)
    name = CHECK_WORDS.sub("", path.stem.casefold()).strip(" _-.")
    return part_of(str(path.with_name(f"{name or 'check'}{path.suffix}")))


def lift_pair(check: TakeLevels, take: TakeLevels, limits: TakeLimits | None = None) -> LiftPair | None:
    """Return the rise from a check to a take of its part; None where the input was turned, or a figure is missing."""
    limits = limits or TakeLimits()
    part = checked_part(take.stem)
    figures = (check.noise_floor_dbfs, check.sample_peak_dbfs, take.noise_floor_dbfs, take.sample_peak_dbfs)
    if part != checked_part(check.stem) or None in (*figures, check.average_dbfs, take.average_dbfs):
        return None
    check_noise, check_peak, take_noise, take_peak = (figure or 0.0 for figure in figures)
    if abs(take_noise - check_noise) > limits.take_noise_moved_db:
        return None
    return LiftPair(part=part, rise_db=take_peak - check_peak, check=check.stem, take=take.stem)


def latest_pair(song: str, checks: Sequence[TakeLevels], take: TakeLevels) -> LiftPair | None:
    """Return the pair that a take makes with the latest level check of its part; None where it makes none.

    `checks` are the level checks of the song before it, in order, of any part.
    """
    part = checked_part(take.stem)
    check = next((check for check in reversed(checks) if checked_part(check.stem) == part), None)
    pair = lift_pair(check, take) if check else None
    return pair.model_copy(update={"song": song}) if pair else None


def learned_lift(pairs: Sequence[LiftPair], part: str) -> LearnedLift | None:
    """Return the lift of a part over all songs; None where fewer than `FEWEST_PAIRS` are known."""
    found = known_lifts([pair for pair in pairs if pair.part == part])
    return next((lift for lift in found if lift.pairs >= FEWEST_PAIRS), None)


def known_lifts(pairs: Sequence[LiftPair]) -> list[LearnedLift]:
    """Return what is known of each part, in order of name, from however few pairs."""
    return [_lift(part, [pair for pair in pairs if pair.part == part]) for part in sorted({p.part for p in pairs})]


def _lift(part: str, pairs: Sequence[LiftPair]) -> LearnedLift:
    """Return the lift of one part; a pair of no known song counts by itself."""
    by_check: dict[tuple[str, str, int], list[float]] = defaultdict(list)
    for number, pair in enumerate(pairs):
        by_check[pair.song, pair.check, 0 if pair.song else number].append(pair.rise_db)
    rises = [median(each) for each in by_check.values()]
    return LearnedLift(
        part=part, pairs=len(rises), median_db=median(rises), lowest_db=min(rises), highest_db=max(rises)
    )
