"""From stems that stand out to findings of the set: what is deliberate is told apart, long lists are cut. Pure."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import compress
from typing import Final

from stager.model.finding import Verdict
from stager.model.handover import SetFinding, StemFacts

MOST_LISTED: Final = 3
"""Names that a sentence lists before it counts the rest."""


@dataclass(frozen=True)
class Odd:
    """Stems that stand out, and how to say it of them or of a part of them.

    `at_s` and each function in `each` give one figure of a stem, `measured` figures of the set.
    """

    code: str
    verdict: Verdict
    stems: Sequence[StemFacts]
    says: Callable[[Sequence[StemFacts]], str]
    at_s: Callable[[StemFacts], float] | None = None
    measured: Mapping[str, float | str] = field(default_factory=dict)
    each: Mapping[str, Callable[[StemFacts], float]] = field(default_factory=dict)


def told(odd: Odd, allow: frozenset[str]) -> list[SetFinding]:
    """Give the finding, and apart from it, as usable, that of the stems whose role allows it; `allow` is for all."""
    allowed = [odd.code in allow or odd.code in stem.allow for stem in odd.stems]
    others = [stem for stem, is_meant in zip(odd.stems, allowed, strict=True) if not is_meant]
    meant = list(compress(odd.stems, allowed))
    parts = ((others, odd.verdict), (meant, Verdict.USABLE))
    return [_finding(odd, stems, verdict) for stems, verdict in parts if stems]


def _finding(odd: Odd, stems: Sequence[StemFacts], verdict: Verdict) -> SetFinding:
    figures = {name: tuple(map(figure, stems)) for name, figure in odd.each.items()}
    return SetFinding(
        code=odd.code,
        verdict=verdict,
        stems=tuple(stem.stem for stem in stems),
        at_s=tuple(map(odd.at_s, stems)) if odd.at_s else (),
        measured={**odd.measured, **figures},
        says=odd.says(stems),
    )


def listed(names: Sequence[str]) -> str:
    """Join names as a sentence does; more than a few are counted."""
    if len(names) > MOST_LISTED + 1:
        return f"{', '.join(names[:MOST_LISTED])} and {len(names) - MOST_LISTED} more"
    return " and ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else "".join(names)


def counted(count: int, one: str) -> str:
    """Give a count with its noun: 1 stem, 2 stems."""
    return f"{count} {one}" if count == 1 else f"{count} {one}s"
