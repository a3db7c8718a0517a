"""Two hundred pairs of stems through the installed `check`: no copy passes for a double, no double is called a copy.

The truth is that of `pairs_truth`, with a seed on which nothing was tuned. Pairs lie in projects of twenty-five, so
that each stem stands beside forty-eight that it has nothing to do with; half of the copies have names that say nothing.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from itertools import combinations, islice
from typing import Any, Final

import numpy as np

from tests.prove import pairs_truth
from tests.prove.pairs_truth import PROOF_SEED, Pair
from tests.prove.proof import Proof, ProofContext
from tests.support.song import Song

PAIRS: Final = 200
AT_ONCE: Final = 25
UNSURE_SHARE: Final = 0.05
ROUNDED_MS: Final = 0.02
"""A lag told in hundredths of a millisecond, and a sample of 44.1 kHz is longer than that."""
HIT_LAG_MS: Final = 1.0
"""Median lag of two performances of hits: where each hit is clear, so is the median of their lags (own figure)."""
COPY: Final = "double_is_copy"
Both = frozenset[str]


@dataclass(frozen=True)
class Told:
    """What `check` said: copies accused by both names, doubles by both names, and the links that it proposes."""

    accused: dict[Both, dict[str, Any]]
    doubles: dict[Both, dict[str, Any]]
    links: list[list[str]]

    def kind(self, pair: Pair) -> str:
        """Return what a pair was taken for: its kind, `copy` where it was accused, `nothing` where it was not named."""
        both = frozenset(pair.stems)
        if both in self.accused:
            return "copy"
        return str(self.doubles.get(both, {}).get("kind", "nothing"))

    def linked(self, pair: Pair) -> bool:
        """Return whether a link is proposed that takes in both stems."""
        return any(all(_matches(stem, patterns) for stem in pair.stems) for patterns in self.links)


@dataclass(frozen=True)
class Judged:
    """A pair without its samples, and what was said about it."""

    pair: Pair
    kind: str
    linked: bool
    measured: dict[str, Any]
    double: dict[str, Any]


def _matches(stem: str, patterns: list[str]) -> bool:
    return any(fnmatchcase(stem.casefold(), pattern.casefold()) for pattern in patterns)


def _by_two(listed: list[dict[str, Any]]) -> dict[Both, dict[str, Any]]:
    """Return what was said by every two stems that it was said of."""
    return {frozenset(two): said for said in listed for two in combinations(said["stems"], 2)}


def _told(document: dict[str, Any]) -> Told:
    accused = [f for f in document["findings"] if f["code"] == COPY and f["verdict"] == "listen"]
    return Told(_by_two(accused), _by_two(document["doubles"]), [link["match"] for link in document["links_proposed"]])


def _judged(bench: ProofContext, count: int) -> Iterator[tuple[list[Judged], list[Both]]]:
    """Check the pairs, so many at a time; with each lot the accusations against stems that are no pair of the truth."""
    made = pairs_truth.pairs(PROOF_SEED, count)
    lot = 0
    while pairs := list(islice(made, AT_ONCE)):
        song, lot = Song.made(bench.stager, bench.folder / f"lot{lot}"), lot + 1
        for pair in pairs:
            for name, samples in zip(pair.stems, (pair.first, pair.second), strict=True):
                song.put(name, samples, pair.rate_hz, pair.format)
        told = _told(song.stager("check", song.folder, "--json").json())
        yield [_one(told, pair) for pair in pairs], [both for both in told.accused if both not in _both_of(pairs)]
        for path in song.inbox.iterdir():
            path.unlink()


def _both_of(pairs: list[Pair]) -> set[Both]:
    return {frozenset(pair.stems) for pair in pairs}


def _one(told: Told, pair: Pair) -> Judged:
    both, none = frozenset(pair.stems), np.zeros((0, 1))
    light = Pair(**{**vars(pair), "first": none, "second": none})
    measured = told.accused.get(both, {}).get("measured", {})
    return Judged(light, told.kind(pair), told.linked(pair), measured, told.doubles.get(both, {}))


def _named(wrong: list[Judged]) -> str:
    """Name the first two of those that were judged wrongly."""
    return "".join(f"; {one.pair.name} {one.pair.kind}, {one.pair.instrument}: {one.kind}" for one in wrong[:2])


def _count(claim: str, wrong: list[Judged], of: int, most: int = 0, source: str = "the generator's truth") -> Proof:
    return Proof(claim, source, f"at most {most}", f"{len(wrong)} of {of}{_named(wrong)}", len(wrong) <= most)


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Check the pairs and compare every answer with the truth."""
    lots = list(_judged(bench, bench.count(PAIRS)))
    judged = [one for some, _ in lots for one in some]
    strangers = [both for _, some in lots for both in some]
    yield from _kinds(judged)
    figure = f"{len(strangers)}{''.join('; ' + ' and '.join(sorted(both)) for both in strangers[:1])}"
    yield Proof("stems of other pairs called copies of each other", "the truth", "0", figure, not strangers)
    unsure = [one for one in judged if one.kind == "unsure"]
    yield _count("pairs of which it is unsure", unsure, len(judged), int(UNSURE_SHARE * len(judged)))
    yield _shifts(judged)
    yield from _tightness(judged)


def _kinds(judged: list[Judged]) -> Iterator[Proof]:
    truth = {kind: [one for one in judged if one.pair.truth == kind] for kind in _TRUTHS}
    copies, takes, doubles = truth["copy"], truth["same_take"], truth["two_performances"]
    apart = [*takes, *doubles, *truth["unrelated"]]
    yield _count("true doubles and takes called a copy", [one for one in apart if one.kind == "copy"], len(apart))
    passed = [one for one in copies if one.kind not in ("copy", "unsure")]
    yield _count("copies that pass for something else", passed, len(copies))
    lost = [one for one in takes if not one.linked and one.kind != "unsure"]
    yield _count("two microphones on one take, not proposed as a link", lost, len(takes))
    tied = [one for one in (*doubles, *truth["unrelated"]) if one.linked or one.kind == "same_take"]
    yield _count("two performances proposed as a link", tied, len(doubles) + len(truth["unrelated"]))
    unseen = [one for one in doubles if one.kind not in ("two_performances", "unsure")]
    yield _count("true doubles that are not told as doubles", unseen, len(doubles))


def _shifts(judged: list[Judged]) -> Proof:
    """Compare the shift of every copy whose lag is one figure; whichever of two stems counts as the later one."""
    asked = [one for one in judged if one.kind == "copy" and one.pair.lag_tolerance_ms is not None and one.measured]
    excess = [_excess_ms(one) for one in asked]
    wrong = [one for one, over in zip(asked, excess, strict=True) if over > 0]
    claim = "shift of copies, to a sample (1.5 ms where filtered)"
    figure = f"{len(wrong)} of {len(asked)} off, worst by {max(excess, default=0.0):.3f} ms{_named(wrong)}"
    return Proof(claim, "the generator's truth", "0 off", figure, bool(asked) and not wrong)


def _excess_ms(one: Judged) -> float:
    """Return by how much a shift misses the truth beyond what it may."""
    lag_ms, allowed_ms = one.pair.lag_ms or 0.0, one.pair.lag_tolerance_ms or 0.0
    shift_ms = float(one.measured.get("shift_ms", one.measured.get("lag_ms", np.inf)))
    return max(0.0, abs(abs(shift_ms) - abs(lag_ms)) - allowed_ms - ROUNDED_MS)


def _tightness(judged: list[Judged]) -> Iterator[Proof]:
    told = [one for one in judged if one.kind == "two_performances" and one.double.get("lag_ms") is not None]
    hits = [one for one in told if one.pair.kind.startswith("hits")]
    off = [abs(abs(float(one.double["lag_ms"])) - abs(one.pair.lag_ms or 0.0)) for one in hits]
    typical = float(np.median(off)) if off else np.inf
    bound = f"within {HIT_LAG_MS:g} ms at the median"
    yield Proof(
        "median lag of hits played twice", "the notes' own lags", bound, f"{typical:.2f} ms", typical <= HIT_LAG_MS
    )
    spreads = [
        [float(one.double["spread_ms"]) for one in told if one.pair.kind == kind]
        for kind in ("hits twice, 0.5 ms", "played twice, loose")
    ]
    tight, loose = (float(np.median(some)) if some else np.nan for some in spreads)
    yield Proof(
        "tight doubles are told as tighter than loose ones",
        "the notes' own lags",
        "spread smaller",
        f"{tight:.2f} ms, {loose:.2f} ms",
        tight < loose,
    )


_TRUTHS: Final = ("copy", "same_take", "two_performances", "unrelated")
