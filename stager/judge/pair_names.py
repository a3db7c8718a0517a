"""Which stems should be a pair, by their names. Pure.

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
PLACE_WORDS: Final = frozenset(
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
    """Give the pairs of places in the list whose names belong together: a part and its double, sides, numbers."""
    groups: dict[tuple[str, ...], list[int]] = {}
    for place, name in enumerate(names):
        groups.setdefault(_parted(name)[0], []).append(place)
    small = [group for rest, group in groups.items() if rest and len(group) <= MAX_GROUP]
    return sorted(pair for group in small for pair in combinations(group, 2))


def is_double_by_name(one: str, other: str) -> bool:
    """Say whether two names speak of one part played twice: a double, two sides, or a number, at one and the same part.

    Names of microphones, such as `amp` and `room`, speak of one take instead.
    """
    (rest, marks), (other_rest, other_marks) = _parted(one), _parted(other)
    differ = marks ^ other_marks
    return bool(rest) and rest == other_rest and bool(differ) and not differ & PLACE_WORDS


def _parted(name: str) -> tuple[tuple[str, ...], frozenset[str]]:
    """Give the words that are left of a name, and those that were set aside."""
    stem = unicodedata.normalize("NFC", name.rsplit("/", 1)[-1].rsplit(".", 1)[0])
    words = [word.casefold() for part in _SPLIT.split(stem) for word in _WORD.findall(part)]
    aside = DOUBLE_WORDS | SIDE_WORDS | PLACE_WORDS | MAIN_WORDS
    marks = frozenset(word for word in words if word in aside or word.isdigit())
    return tuple(word for word in words if word not in marks), marks
