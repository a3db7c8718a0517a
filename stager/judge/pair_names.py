"""Which stems belong together as a pair, judged by their names. Pure.

A name falls into words at what is neither letter nor digit, where small letters turn to capitals, and where letters
turn to digits. Words that tell the members of a pair apart are set aside; names that are left with the same rest, and
differ in what was set aside, belong together.
"""

import re
import unicodedata
from collections.abc import Sequence
from itertools import combinations
from typing import Final

DOUBLE_WORDS: Final = frozenset({"double", "dbl", "doubled", "doubling", "dub", "dt", "copy", "again", "alt"})
"""Words of a part played a second time (common practice, no source)."""
SIDE_WORDS: Final = frozenset({"l", "r", "left", "right", "lt", "rt", "lh", "rh"})
"""Words of two sides (common practice, no source)."""
MICROPHONE_WORDS: Final = frozenset(
    {
        "di",
        "line",
        "amp",
        "mic",
        "mics",
        "close",
        "near",
        "far",
        "room",
        "top",
        "bottom",
        "btm",
        "bot",
        "in",
        "out",
        "mid",
    }
)
"""Words of microphones and lines at one source (common practice, no source)."""
MAIN_WORDS: Final = frozenset({"main", "first", "a", "b", "c"})
MAX_GROUP: Final = 8
"""Stems of one name up to which each is compared with each (own figure: more are numbered parts, not doubles)."""
_WORD: Final = re.compile(r"[A-Z]?[^\W\d_]+|\d+")
_SPLIT: Final = re.compile(r"(?<=[^\W\d_A-Z])(?=[A-Z])")


def name_pairs(names: Sequence[str]) -> list[tuple[int, int]]:
    """Return the pairs of indices whose names belong together: a part and its double, two sides, numbered parts."""
    groups: dict[tuple[str, ...], list[int]] = {}
    for index, name in enumerate(names):
        groups.setdefault(_part_and_marks(name)[0], []).append(index)
    small = [group for rest, group in groups.items() if rest and len(group) <= MAX_GROUP]
    return sorted(pair for group in small for pair in combinations(group, 2))


def is_double_by_name(one: str, other: str) -> bool:
    """Return whether two names mean one part that was played twice: a double, two sides, or two numbers.

    Names of microphones, such as `amp` and `room`, mean one take instead.
    """
    (rest, marks), (other_rest, other_marks) = _part_and_marks(one), _part_and_marks(other)
    differ = marks ^ other_marks
    return bool(rest) and rest == other_rest and bool(differ) and not differ & MICROPHONE_WORDS


def _part_and_marks(name: str) -> tuple[tuple[str, ...], frozenset[str]]:
    """Return the words that name the part, and those that tell the members of a pair apart."""
    stem = unicodedata.normalize("NFC", name.rsplit("/", 1)[-1].rsplit(".", 1)[0])
    words = [word.casefold() for part in _SPLIT.split(stem) for word in _WORD.findall(part)]
    aside = DOUBLE_WORDS | SIDE_WORDS | MICROPHONE_WORDS | MAIN_WORDS
    marks = frozenset(word for word in words if word in aside or word.isdigit())
    return tuple(word for word in words if word not in marks), marks
