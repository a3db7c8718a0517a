"""Which stems are worth comparing: those whose names or roles make a pair, and those whose prints move alike."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

from stager.judge.pair_names import is_double_by_name, name_pairs
from stager.pairs.prints import PrintMatch, SoundPrint, match, spectra

ALIKE: Final = 0.55
"""Likeness of two prints from which on they are compared whatever they are called (own figure: a copy through a filter
or a room has 0.7 and more, parts of one song under 0.4)."""
ROLE_ALIKE: Final = 0.3
"""Likeness from which on two stems of one role are compared (own figure: two performances of one part have it)."""
MOST: Final = 30
"""Pairs compared at most, names before prints, the most alike first (own figure: some twenty seconds on two cores)."""


@dataclass(frozen=True)
class Candidate:
    """Two stems by their places in the list, and why: `by_name`, or how alike their prints are.

    `is_double` says that names or roles call them one part played twice.
    """

    one: int
    other: int
    by_name: bool
    is_double: bool
    likeness: float


def candidates(
    prints: Sequence[SoundPrint], names: Sequence[str], roles: Sequence[str | None]
) -> tuple[list[Candidate], int]:
    """Choose the pairs to compare, the surest first, and say how many more there would have been.

    `prints`, `names` and `roles` are (stems,), a role None where there is none.
    """
    named = set(name_pairs(names))
    rows = spectra(prints)
    found = []
    for one, other in combinations(range(len(prints)), 2):
        alike = _likeness(match(rows[one], rows[other]))
        by_name, one_role = (one, other) in named, roles[one] is not None and roles[one] == roles[other]
        if by_name or alike >= ALIKE or (one_role and alike >= ROLE_ALIKE):
            is_double = one_role or is_double_by_name(names[one], names[other])
            found.append(Candidate(one, other, by_name, is_double, alike))
    found.sort(key=_surest_first)
    return found[:MOST], max(0, len(found) - MOST)


def _surest_first(candidate: Candidate) -> tuple[bool, bool, float, int, int]:
    """Whose prints are alike comes before whose names are: a copy under another name is not crowded out by names."""
    alike = candidate.likeness >= ALIKE
    return not alike, not candidate.by_name, -candidate.likeness, candidate.one, candidate.other


def _likeness(found: PrintMatch) -> float:
    return max(found.here, found.best)
