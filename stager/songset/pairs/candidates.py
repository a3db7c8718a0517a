"""Which stems are worth comparing: those whose names or roles make a pair, and those whose fingerprints move alike."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, combinations
from math import ceil
from typing import Final

from stager.judge.pair_names import is_double_by_name, name_pairs
from stager.songset.pairs.excerpts import CORE_S, MAX_STRETCHES
from stager.songset.pairs.fingerprints import AudioFingerprint, match, spectra
from stager.system.cancel import check_stop

ALIKE: Final = 0.55
"""Likeness of two fingerprints from which on they are compared whatever their names (own figure: a copy through a
filter or a room has 0.7 and more, parts of one song under 0.4)."""
MUTUAL_ALIKE: Final = 0.35
"""Likeness from which on two stems are compared that are each other's likeliest partner (own figure: a bass in a room
has 0.4)."""
ROLE_ALIKE: Final = 0.3
"""Likeness from which on two stems of one role are compared (own figure: two performances of one part have it)."""
MOST_STRETCHES: Final = 432
"""Stretches compared at most, which is what a comparison costs (own figure: 36 pairs of long stems, some twenty seconds
on two cores, or a hundred pairs of short ones)."""


@dataclass(frozen=True)
class Candidate:
    """Two stems by their index in the list, and why: `by_name`, or how alike their fingerprints are.

    `is_double`: by their names or roles they are one part played twice.
    """

    one: int
    other: int
    by_name: bool
    is_double: bool
    likeness: float


def candidates(
    fingerprints: Sequence[AudioFingerprint], names: Sequence[str], roles: Sequence[str | None]
) -> tuple[list[Candidate], int]:
    """Return the pairs to compare, the surest first, and how many more there would have been.

    `fingerprints`, `names` and `roles` are (stems,), a role None where there is none.
    """
    named = set(name_pairs(names))
    alike = _likenesses(fingerprints)
    mutual = _mutual(alike, len(fingerprints))
    found = []
    for (one, other), likeness in alike.items():
        by_name, one_role = (one, other) in named, roles[one] is not None and roles[one] == roles[other]
        least = min(ALIKE, ROLE_ALIKE if one_role else ALIKE, MUTUAL_ALIKE if (one, other) in mutual else ALIKE)
        if by_name or likeness >= least:
            is_double = (one_role and not by_name) or is_double_by_name(names[one], names[other])
            found.append(Candidate(one, other, by_name, is_double, likeness))
    chosen = _within_budget(_in_turn(found), [fingerprint.duration_s for fingerprint in fingerprints])
    return chosen, len(found) - len(chosen)


def _likenesses(fingerprints: Sequence[AudioFingerprint]) -> dict[tuple[int, int], float]:
    """Return how alike the fingerprints of each two stems are."""
    rows, alike = spectra(fingerprints), {}
    for one, other in combinations(range(len(fingerprints)), 2):
        check_stop()
        found = match(rows[one], rows[other])
        alike[one, other] = max(found.here, found.best)
    return alike


def _mutual(alike: dict[tuple[int, int], float], stems: int) -> set[tuple[int, int]]:
    """Return the pairs in which each is the other's likeliest partner; none of two stems alone."""
    best: list[tuple[float, tuple[int, int]]] = [(-1.0, (-1, -1))] * stems
    for pair, likeness in alike.items():
        for stem in pair:
            best[stem] = max(best[stem], (likeness, pair))
    pairs = [pair for _, pair in best]
    return {pair for pair in pairs if stems > 2 and pairs.count(pair) > 1}


def _in_turn(found: list[Candidate]) -> list[Candidate]:
    """Order the pairs by turns: each stem's likeliest partners first, by sound and by name, then its second ones.

    So a crowd of stems that are all alike, such as a kit's microphones, leaves no other stem without a comparison.
    """
    turns: dict[tuple[int, int], int] = {}
    for alike in (True, False):
        seen: Counter[int] = Counter()
        for each in sorted(found, key=_surest_first if alike else _named_first):
            turn = min(seen[each.one], seen[each.other])
            turns[each.one, each.other] = min(turn, turns.get((each.one, each.other), turn))
            seen.update((each.one, each.other))
    return sorted(found, key=lambda each: (turns[each.one, each.other], _surest_first(each)))


def _within_budget(found: list[Candidate], durations_s: Sequence[float]) -> list[Candidate]:
    """Return as many pairs as `MOST_STRETCHES` allows, counted by the shorter stem of each."""
    costs = [_stretches(min(durations_s[each.one], durations_s[each.other])) for each in found]
    fits = [spent <= MOST_STRETCHES for spent in accumulate(costs)]
    return [each for each, fit in zip(found, fits, strict=True) if fit]


def _stretches(duration_s: float) -> int:
    return min(MAX_STRETCHES, max(1, ceil(duration_s / CORE_S)))


def _surest_first(candidate: Candidate) -> tuple[bool, bool, float, int, int]:
    """Alike by fingerprint comes before alike by name, so names don't crowd out a copy under another name."""
    alike = candidate.likeness >= ALIKE
    return not alike, not candidate.by_name, -candidate.likeness, candidate.one, candidate.other


def _named_first(candidate: Candidate) -> tuple[bool, bool, float, int, int]:
    return not candidate.by_name, not candidate.is_double, -candidate.likeness, candidate.one, candidate.other
