"""Compares a take with earlier ones of its part: whether the input was turned, or the playing changed. Pure.

An input's gain raises the noise of the room and the playing alike. So takes whose noise floors agree had one gain, and
a take whose level and noise moved by the same amount was recorded with another one. Source: a gain acts on all that
passes through it, by algebra.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from statistics import fmean
from typing import Final

from stager.model.limits import TakeLimits
from stager.model.takes import TakeComparison, TakeLevels, WhatChanged

TAKE_WORDS: Final = re.compile(
    r"(?:[\s_.#()\[\]-]|\d|(?<![^\W\d_])(?:takes?|tk|t|nr|no|rec|version|ver|v)(?![^\W\d_]))+$"
)
"""Endings of a name that don't belong to the part: numbers, and words for a take (common practice, no source)."""


@dataclass(frozen=True)
class _TakeNoise:
    """The average and the noise floor of a take in dBFS; `number` is the take's number in sentences."""

    number: int
    stem: str
    average: float
    noise: float


def part_of(stem: str) -> str:
    """Return the part that a take's path names: folder and file name, without numbers and words for a take at its end.

    Where nothing is left of the name, the folder alone is the part, and "" without a folder.
    """
    path = PurePosixPath(stem)
    name = TAKE_WORDS.sub("", path.stem.casefold())
    folder = "" if str(path.parent) == "." else str(path.parent).casefold()
    return "/".join(piece for piece in (folder, name) if piece)


def compare_takes(takes: Sequence[TakeLevels], limits: TakeLimits | None = None) -> TakeComparison | None:
    """Return how the newest take, the last in order, differs from the earlier ones of its part.

    Takes of other parts may be among them. None where there is nothing to compare, or nothing has changed.
    """
    limits = limits or TakeLimits()
    if not takes or not part_of(takes[-1].stem):
        return None
    same = [take for take in takes if part_of(take.stem) == part_of(takes[-1].stem)]
    known = [_take_noise(number, take) for number, take in zip(_numbered(same), same, strict=True)]
    newest, earlier = known[-1], [take for take in known[:-1] if take]
    group = _one_gain(earlier, limits)
    return _compared(newest, group, limits) if newest and group else None


def _numbered(takes: Sequence[TakeLevels]) -> list[int]:
    """Return the number at each name's end, where all have one and they differ; otherwise their order from 1."""
    found = [re.search(r"\d+(?=\D*$)", PurePosixPath(take.stem).stem) for take in takes]
    numbers = [int(match[0]) for match in found if match]
    return numbers if len(set(numbers)) == len(takes) else list(range(1, len(takes) + 1))


def _take_noise(number: int, take: TakeLevels) -> _TakeNoise | None:
    if take.average_dbfs is None or take.noise_floor_dbfs is None:
        return None
    return _TakeNoise(number, take.stem, take.average_dbfs, take.noise_floor_dbfs)


def _one_gain(earlier: Sequence[_TakeNoise], limits: TakeLimits) -> list[_TakeNoise]:
    """Return the latest takes in a row whose noise floors agree with the last one's: they had one input gain."""
    group: list[_TakeNoise] = []
    for take in reversed(earlier):
        if group and abs(take.noise - group[0].noise) > limits.take_noise_moved_db:
            break
        group.insert(0, take)
    return group


def _compared(newest: _TakeNoise, group: Sequence[_TakeNoise], limits: TakeLimits) -> TakeComparison | None:
    level = newest.average - fmean(take.average for take in group)
    noise = newest.noise - fmean(take.noise for take in group)
    changed = _what_changed(level, noise, limits)
    if changed is None:
        return None
    says = _sentence(changed, newest.number, _numbers(group), level, noise)
    names = tuple(take.stem for take in group)
    return TakeComparison(changed=changed, earlier=names, level_change_db=level, noise_change_db=noise, says=says)


def _what_changed(level: float, noise: float, limits: TakeLimits) -> WhatChanged | None:
    level_moved = abs(level) >= limits.take_level_change_db
    if level_moved and abs(level - noise) <= limits.take_noise_moved_db:
        return "input"
    if level_moved and abs(noise) <= limits.take_noise_moved_db:
        return "playing"
    noise_moved = abs(noise) >= max(limits.take_level_change_db, limits.take_noise_moved_db)
    return "noise" if noise_moved and not level_moved else None


def _sentence(changed: WhatChanged, number: int, numbers: str, level: float, noise: float) -> str:
    side = "above" if level > 0.0 else "below"
    compared = f"Take {number} is {abs(level):.0f} dB {side} {numbers}"
    if changed == "input":
        return f"{compared} and so is its noise: the input was turned."
    if changed == "playing":
        return f"{compared} and its noise has not moved: it was played {'louder' if level > 0.0 else 'softer'}."
    way = "more" if noise > 0.0 else "less"
    compared = f"Take {number} is as loud as {numbers} with {abs(noise):.0f} dB {way} noise"
    return f"{compared}: listen to what changed in the room."


def _numbers(group: Sequence[_TakeNoise]) -> str:
    first, last = group[0].number, group[-1].number
    return f"take {first}" if first == last else f"takes {first} to {last}"
