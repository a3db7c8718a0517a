"""Findings of the set before it is known which of them are deliberate, and the findings that they become. Pure."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import compress

from stager.model.finding import Verdict
from stager.model.handover import SetFinding, StemFacts


@dataclass(frozen=True)
class CandidateFinding:
    """A finding about several stems, with the means to word it for all of them or for a part of them.

    `says` returns the sentence for the stems that it is given. `at_s` and each function in `each` return one figure of
    a stem; `measured` has figures of the whole set.
    """

    code: str
    verdict: Verdict
    stems: Sequence[StemFacts]
    says: Callable[[Sequence[StemFacts]], str]
    at_s: Callable[[StemFacts], float] | None = None
    measured: Mapping[str, float | str] = field(default_factory=dict)
    each: Mapping[str, Callable[[StemFacts], float]] = field(default_factory=dict)


def findings_from(candidate: CandidateFinding, allow: frozenset[str]) -> list[SetFinding]:
    """Return at most two findings: one of the stems at fault, and a usable one of those in which it is deliberate.

    `allow` has the codes that the project allows everywhere; those of a role stand with the stem.
    """
    is_allowed = [candidate.code in allow or candidate.code in stem.allow for stem in candidate.stems]
    at_fault = [stem for stem, is_meant in zip(candidate.stems, is_allowed, strict=True) if not is_meant]
    deliberate = list(compress(candidate.stems, is_allowed))
    parts = ((at_fault, candidate.verdict), (deliberate, Verdict.USABLE))
    return [_finding(candidate, stems, verdict) for stems, verdict in parts if stems]


def _finding(candidate: CandidateFinding, stems: Sequence[StemFacts], verdict: Verdict) -> SetFinding:
    figures = {name: tuple(map(figure, stems)) for name, figure in candidate.each.items()}
    return SetFinding(
        code=candidate.code,
        verdict=verdict,
        stems=tuple(stem.stem for stem in stems),
        at_s=tuple(map(candidate.at_s, stems)) if candidate.at_s else (),
        measured={**candidate.measured, **figures},
        says=candidate.says(stems),
    )
