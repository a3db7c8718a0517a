"""What several takes of one part say together: whether the input was turned, or the playing changed. Pure.

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

from stager.model.condition_limits import ConditionLimits
from stager.model.takes import Learned, TakeLevels, WhatChanged

TAKE_WORDS: Final = re.compile(
    r"(?:[\s_.#()\[\]-]|\d|(?<![^\W\d_])(?:takes?|tk|t|nr|no|rec|version|ver|v)(?![^\W\d_]))+$"
)
"""What a name may end with that does not tell the part: numbers, and words for a take (common practice, no source)."""


@dataclass(frozen=True)
class _Heard:
    """A take of which level and noise are known, in dBFS; `number` is what it is called by."""

    number: int
    stem: str
    average: float
    noise: float


def part_of(stem: str) -> str:
    """Give the part that a take's path names: its folder and file name without numbers and words for a take at its end.

    Where nothing else is in the name, the folder alone is the part; it is "" for such a name without a folder.
    """
    path = PurePosixPath(stem)
    name = TAKE_WORDS.sub("", path.stem.casefold())
    folder = "" if str(path.parent) == "." else str(path.parent).casefold()
    return "/".join(piece for piece in (folder, name) if piece)


def learned(takes: Sequence[TakeLevels], limits: ConditionLimits | None = None) -> Learned | None:
    """Say what the newest take, the last in order, tells beside the earlier ones of its part.

    Takes of other parts may be among them. None where there is nothing to compare, or nothing has moved.
    """
    limits = limits or ConditionLimits()
    if not takes or not part_of(takes[-1].stem):
        return None
    same = [take for take in takes if part_of(take.stem) == part_of(takes[-1].stem)]
    heard = [_heard(number, take) for number, take in zip(_numbered(same), same, strict=True)]
    newest, earlier = heard[-1], [take for take in heard[:-1] if take]
    group = _one_gain(earlier, limits)
    return _compared(newest, group, limits) if newest and group else None


def _numbered(takes: Sequence[TakeLevels]) -> list[int]:
    """The number that each take's name ends with, where all have one and they differ; otherwise their order from 1."""
    found = [re.search(r"\d+(?=\D*$)", PurePosixPath(take.stem).stem) for take in takes]
    numbers = [int(match[0]) for match in found if match]
    return numbers if len(set(numbers)) == len(takes) else list(range(1, len(takes) + 1))


def _heard(number: int, take: TakeLevels) -> _Heard | None:
    if take.average_dbfs is None or take.noise_floor_dbfs is None:
        return None
    return _Heard(number, take.stem, take.average_dbfs, take.noise_floor_dbfs)


def _one_gain(earlier: Sequence[_Heard], limits: ConditionLimits) -> list[_Heard]:
    """The latest takes in a row whose noise floors agree with the last one's."""
    group: list[_Heard] = []
    for take in reversed(earlier):
        if group and abs(take.noise - group[0].noise) > limits.take_noise_moved_db:
            break
        group.insert(0, take)
    return group


def _compared(newest: _Heard, group: Sequence[_Heard], limits: ConditionLimits) -> Learned | None:
    level = newest.average - fmean(take.average for take in group)
    noise = newest.noise - fmean(take.noise for take in group)
    changed = _what_changed(level, noise, limits)
    if changed is None:
        return None
    says = _sentence(changed, newest.number, _numbers(group), level, noise)
    names = tuple(take.stem for take in group)
    return Learned(changed=changed, earlier=names, level_change_db=level, noise_change_db=noise, says=says)


def _what_changed(level: float, noise: float, limits: ConditionLimits) -> WhatChanged | None:
    level_moved = abs(level) >= limits.take_level_change_db
    if level_moved and abs(level - noise) <= limits.take_noise_moved_db:
        return "input"
    if level_moved and abs(noise) <= limits.take_noise_moved_db:
        return "playing"
    noise_moved = abs(noise) >= max(limits.take_level_change_db, limits.take_noise_moved_db)
    return "noise" if noise_moved and not level_moved else None


def _sentence(changed: WhatChanged, number: int, numbers: str, level: float, noise: float) -> str:
    side = "above" if level > 0.0 else "below"
    stands = f"Take {number} is {abs(level):.0f} dB {side} {numbers}"
    if changed == "input":
        return f"{stands} and so is its noise: the input was turned."
    if changed == "playing":
        return f"{stands} and its noise has not moved: it was played {'louder' if level > 0.0 else 'softer'}."
    way = "more" if noise > 0.0 else "less"
    stands = f"Take {number} is as loud as {numbers} with {abs(noise):.0f} dB {way} noise"
    return f"{stands}: listen to what changed in the room."


def _numbers(group: Sequence[_Heard]) -> str:
    first, last = group[0].number, group[-1].number
    return f"take {first}" if first == last else f"takes {first} to {last}"
