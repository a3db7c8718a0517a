"""Whether a set of stems can be sent to somebody else, in at most ten lines, worst first. Pure."""

from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

from stager.judge.set_formats import depth_differs, length_differs, padded_bits, rate_differs, start_differs
from stager.judge.set_peaks import halved_bits, same_peaks
from stager.judge.stem_names import name_unclear
from stager.judge.told import Odd, counted, listed, told
from stager.model import Finding, Verdict, worst
from stager.model.handover import SetFinding, StemFacts

MOST_LINES: Final = 10

OWN_FINDINGS: Final = {
    "corrupt": "Damaged",
    "clipped": "Clipped",
    "clipped_upstream": "Cut flat below full scale",
    "dropout": "With dropouts",
    "over_full_scale": "Over full scale",
    "polarity_flipped": "One side with reversed polarity",
    "mono_loss": "Losing level in mono",
    "side_imbalance": "One side louder",
    "hum": "Humming",
    "noise_raised": "With noise brought up",
    "dc_offset": "With a constant offset",
}
"""What a stem was found to have by itself, in the words of a list; told where it is more than a fact."""
FACTS: Final = {
    "silent": "Silent: {}. The right tracks?",
    "one_sided": "On one side only: {}.",
    "dual_mono": "The same on both sides, so mono files would do: {}.",
}
"""What is always told."""


def handover(facts: Sequence[StemFacts], allow: frozenset[str] = frozenset()) -> tuple[SetFinding, ...]:
    """Give all that stands between these stems and whoever gets them, worst first, then by how much it matters.

    `allow` holds the codes that are deliberate in this project; those of a role stand in the facts.
    """
    odds = [odd for judge in JUDGES for odd in judge(facts)]
    found = [finding for odd in odds for finding in told(odd, allow)]
    return tuple(sorted(found, key=lambda finding: -finding.verdict.severity))


def first_lines(findings: Sequence[SetFinding], most: int = MOST_LINES) -> tuple[tuple[Verdict, str], ...]:
    """Give the sentences for a person, with their verdicts: so many at most, worst first; the last counts the rest."""
    ordered = sorted(findings, key=lambda finding: -finding.verdict.severity)
    lines = [(finding.verdict, finding.says) for finding in ordered]
    if len(lines) <= most:
        return tuple(lines)
    rest = ordered[most - 1 :]
    codes = listed(sorted({finding.code for finding in rest}))
    return (*lines[: most - 1], (rest[0].verdict, f"And {counted(len(rest), 'more finding')}: {codes}."))


def own_findings(facts: Sequence[StemFacts]) -> list[Odd]:
    """Sum up what stems were found to have by themselves and is more than a fact, one line a code."""
    found = []
    for code, words in OWN_FINDINGS.items():
        stems = [stem for stem in facts if _worst_of(stem, code) is not Verdict.USABLE]
        says = partial(_list, words + ": {}.")
        found += _summed(code, stems, says)
    return found


def own_facts(facts: Sequence[StemFacts]) -> list[Odd]:
    """Sum up which stems are silent, sound on one side only, or hold the same twice."""
    found = []
    for code, sentence in FACTS.items():
        found += _summed(code, [stem for stem in facts if code in stem.codes], partial(_list, sentence))
    return found


def unused_bits(facts: Sequence[StemFacts]) -> list[Odd]:
    """Find parts at half level by the bit that it cost them, and the padded ones among the others."""
    halved = halved_bits(facts)
    known = {stem.stem for odd in halved for stem in odd.stems}
    return [*halved, *padded_bits([stem for stem in facts if stem.stem not in known])]


def _summed(code: str, stems: Sequence[StemFacts], says: Callable[[Sequence[StemFacts]], str]) -> list[Odd]:
    """One finding for many stems; its places are those to listen to, where every stem has one."""
    if not stems:
        return []
    verdict = worst(finding for stem in stems for finding in _with(stem, code))
    placed = all(finding.worst_at_s is not None for stem in stems for finding in _with(stem, code))
    return [Odd(code, verdict, stems, says, partial(_place, code) if placed else None)]


def _place(code: str, stem: StemFacts) -> float:
    """Where to listen: the place of the worst finding of this code."""
    gravest = max(_with(stem, code), key=lambda finding: finding.verdict.severity)
    return gravest.worst_at_s or 0.0


def _worst_of(stem: StemFacts, code: str) -> Verdict:
    return worst(_with(stem, code))


def _with(stem: StemFacts, code: str) -> list[Finding]:
    return [finding for finding in stem.findings if finding.code == code]


def _list(sentence: str, stems: Sequence[StemFacts]) -> str:
    return sentence.format(listed([stem.stem for stem in stems]))


JUDGES: Final = (
    own_findings,
    same_peaks,
    rate_differs,
    start_differs,
    depth_differs,
    name_unclear,
    own_facts,
    unused_bits,
    length_differs,
)
"""In the order in which they matter where the verdict is the same."""
