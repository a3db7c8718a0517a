"""Names of packed files: a number, the part, its side, in characters that every system takes. Pure.

Source: the portable filename character set of POSIX.1-2017 (3.282), from memory; only its lower-case letters, digits
and underscore are used, so that no two names differ in capitals alone.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from unicodedata import normalize

from stager.judge.stem_names import says_something

LONGEST_WORDS: Final = 40
"""Characters of a name between its number and its suffix (own figure: a track list shows some thirty)."""
SUFFIX: Final = ".wav"
UNDIVIDED: Final = str.maketrans({"ß": "ss", "æ": "ae", "œ": "oe", "ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th"})
"""Latin letters that have no decomposition into a letter and a mark."""
DIGITS: Final = re.compile(r"(\d+)")
OLD_NUMBER: Final = re.compile(r"^\d+[\s._-]+(?=\D)")
"""A number that a recorder put before the name, which the new number replaces."""


@dataclass(frozen=True)
class Named:
    """A stem by its path below the inbox, its role, and the place of that role in the project file."""

    stem: str
    role: str | None
    rank: int


def in_order(stems: Sequence[Named]) -> list[int]:
    """Return the numbers of the stems in the order of their roles, then of their names, 2 before 10."""
    return sorted(range(len(stems)), key=lambda n: (stems[n].rank, _natural(stems[n].stem)))


def packed_names(stems: Sequence[Named]) -> list[str]:
    """Return the name of each packed file, for stems in their order; no two are equal."""
    words = [_words(each) for each in stems]
    counts = Counter(words)
    width = max(2, len(str(len(stems))))
    return [
        f"{number:0{width}d}_{_told_apart(each, word) if counts[word] > 1 else word}{SUFFIX}"
        for number, (each, word) in enumerate(zip(stems, words, strict=True), 1)
    ]


def portable(text: str) -> str:
    """Return a text in lower-case letters, digits and single underscores; empty where it has none of them."""
    plain = normalize("NFKD", text.casefold().translate(UNDIVIDED)).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "_", plain).strip("_")


def _words(each: Named) -> str:
    """Return the part and side by the stem's own name, or by its role where that name says nothing."""
    base = each.stem.rpartition("/")[2]
    own = portable(OLD_NUMBER.sub("", base.rpartition(".")[0] or base))
    if each.role and not (own and says_something(base)):
        own = portable(each.role) or own
    return own[:LONGEST_WORDS].strip("_") or "part"


def _told_apart(each: Named, word: str) -> str:
    """Return the words of a stem whose name others have too: its folder stands before them."""
    folder = portable(each.stem.rpartition("/")[0])
    return f"{folder}_{word}"[:LONGEST_WORDS].strip("_") if folder else word


def _natural(stem: str) -> tuple[tuple[int, int, str], ...]:
    """Return what names are sorted by: figures as numbers, letters without capitals."""
    return tuple((0, int(part), "") if part.isdecimal() else (1, 0, part.casefold()) for part in DIGITS.split(stem))
