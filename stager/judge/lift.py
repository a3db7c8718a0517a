"""A player's lift: by how much a part is played louder in takes than in the level checks before them. Pure.

A level check is a take whose name says so, or the first short one of its part. Each take that follows a check under one
input gain makes a pair with it: an input that was turned moves the noise as well as the playing, and such a pair is
left out. From `FEWEST_PAIRS` on the median rise is known well enough to be allowed for.
"""

import re
from collections.abc import Sequence
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


def is_level_check(stem: str, duration_s: float, earlier: Sequence[str], limits: TakeLimits | None = None) -> bool:
    """Return whether a take is a level check: by a mark in its name, or as the first short one of its part.

    `earlier` are the paths of the takes before it.
    """
    if CHECK_WORDS.search(PurePosixPath(stem).stem.casefold()):
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
    if checked_part(check.stem) != checked_part(take.stem) or None in (check.noise_floor_dbfs, take.noise_floor_dbfs):
        return None
    if check.sample_peak_dbfs is None or take.sample_peak_dbfs is None:
        return None
    noise_moved_db = (take.noise_floor_dbfs or 0.0) - (check.noise_floor_dbfs or 0.0)
    if abs(noise_moved_db) > limits.take_noise_moved_db:
        return None
    return LiftPair(part=checked_part(take.stem), rise_db=take.sample_peak_dbfs - check.sample_peak_dbfs)


def learned_lift(pairs: Sequence[LiftPair], part: str) -> LearnedLift | None:
    """Return the lift of a part over all songs; None where fewer than `FEWEST_PAIRS` are known."""
    rises = [pair.rise_db for pair in pairs if pair.part == part]
    if len(rises) < FEWEST_PAIRS:
        return None
    return LearnedLift(pairs=len(rises), median_db=median(rises), lowest_db=min(rises), highest_db=max(rises))
