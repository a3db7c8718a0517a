"""Whether a set of stems is ready to be sent to somebody else: findings of the whole set, worst first. Pure."""

from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

from stager.judge.candidates import CandidateFinding, findings_from
from stager.judge.sentences import counted, listed
from stager.judge.set_formats import depth_differs, length_differs, padded_bits, rate_differs, start_differs
from stager.judge.set_peaks import halved_bits, same_peaks
from stager.judge.stem_names import name_unclear
from stager.model import Finding, Verdict, worst
from stager.model.handover import SetFinding, StemFacts

MOST_LINES: Final = 10

OWN_FINDINGS: Final = {
    "corrupt": "Damaged",
    "clipped": "Clipped",
    "clipped_upstream": "Cut flat below full scale",
    "clipped_before_coding": "Perhaps clipped before coding",
    "dropout": "With dropouts",
    "over_full_scale": "Over full scale",
    "polarity_flipped": "One side with reversed polarity",
    "mono_loss": "Losing level in mono",
    "side_imbalance": "One side louder",
    "hum": "Humming",
    "noise_raised": "With noise brought up",
    "dc_offset": "With a constant offset",
}
"""Findings of single stems that are summed up where they are more than facts, and the words before their names."""
WORDS: Final = {
    "clipped": "clipping",
    "clipped_upstream": "clipping",
    "clipped_before_coding": "clipping",
    "dropout": "dropouts",
    "over_full_scale": "peaks over full scale",
    "polarity_flipped": "polarity",
    "mono_loss": "mono",
    "side_imbalance": "uneven sides",
    "noise_raised": "noise",
    "dc_offset": "constant offset",
    "rate_differs": "sample rates",
    "depth_differs": "bit depths",
    "start_differs": "starts",
    "length_differs": "lengths",
    "padded_bits": "unused bits",
    "same_peak_everywhere": "equal peaks",
    "name_unclear": "names",
    "link_incomplete": "links",
    "double_is_copy": "copies",
    "silent": "silence",
    "one_sided": "one-sided stems",
    "dual_mono": "mono parts in stereo files",
}
"""What a code is about, in the line that counts what is left."""
FACTS: Final = {
    "silent": "Silent: {}. The right tracks?",
    "one_sided": "On one side only: {}.",
    "dual_mono": "The same on both sides, so mono files would do: {}.",
}
"""Facts about single stems that are always summed up."""


def handover(facts: Sequence[StemFacts], allow: frozenset[str] = frozenset()) -> tuple[SetFinding, ...]:
    """Return the findings that whoever receives these stems would run into: worst first, then by `EXAMINATIONS`.

    `allow` holds the codes that are deliberate in this project; those of a role stand in the facts.
    """
    candidates = [candidate for examine in EXAMINATIONS for candidate in examine(facts)]
    found = [finding for candidate in candidates for finding in findings_from(candidate, allow)]
    return tuple(sorted(found, key=lambda finding: -finding.verdict.severity))


def first_lines(findings: Sequence[SetFinding], most: int = MOST_LINES) -> tuple[tuple[Verdict, str], ...]:
    """Return at most `most` sentences with their verdicts, worst first; the last one counts the rest."""
    ordered = sorted(findings, key=lambda finding: -finding.verdict.severity)
    lines = [(finding.verdict, finding.says) for finding in ordered]
    if len(lines) <= most:
        return tuple(lines)
    rest = ordered[most - 1 :]
    words = list(dict.fromkeys(WORDS.get(finding.code, finding.code.replace("_", " ")) for finding in rest))
    says = f"And {counted(len(rest), 'more finding')} about {', '.join(words)}; --all shows them."
    return (*lines[: most - 1], (rest[0].verdict, says))


def own_findings(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return one candidate for each code and verdict, of the stems whose own finding is more than a fact."""
    found = []
    for code, words in OWN_FINDINGS.items():
        for verdict in (Verdict.PLAY_AGAIN, Verdict.LISTEN):
            stems = [stem for stem in facts if _worst_of(stem, code) is verdict]
            found += _summed(code, stems, partial(_list, words + ": {}."))
    return found


def own_facts(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return which stems are silent, sound on one side only, or hold the same on both sides."""
    found = []
    for code, sentence in FACTS.items():
        found += _summed(code, [stem for stem in facts if code in stem.codes], partial(_list, sentence))
    return found


def unused_bits(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return the parts at half level, shown by the one bit that it costs, and the padded files among the others."""
    halved = halved_bits(facts)
    known = {stem.stem for candidate in halved for stem in candidate.stems}
    return [*halved, *padded_bits([stem for stem in facts if stem.stem not in known])]


def _summed(
    code: str, stems: Sequence[StemFacts], says: Callable[[Sequence[StemFacts]], str]
) -> list[CandidateFinding]:
    """Return one candidate for all these stems; it has places in time where every stem has one."""
    if not stems:
        return []
    verdict = worst(finding for stem in stems for finding in _with(stem, code))
    placed = all(finding.worst_at_s is not None for stem in stems for finding in _with(stem, code))
    return [CandidateFinding(code, verdict, stems, says, partial(_place, code) if placed else None)]


def _place(code: str, stem: StemFacts) -> float:
    """Return the place in s of the stem's worst finding of this code."""
    gravest = max(_with(stem, code), key=lambda finding: finding.verdict.severity)
    return gravest.worst_at_s or 0.0


def _worst_of(stem: StemFacts, code: str) -> Verdict:
    return worst(_with(stem, code))


def _with(stem: StemFacts, code: str) -> list[Finding]:
    return [finding for finding in stem.findings if finding.code == code]


def _list(sentence: str, stems: Sequence[StemFacts]) -> str:
    return sentence.format(listed([stem.stem for stem in stems]))


EXAMINATIONS: Final = (
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
"""In this order where the verdict is the same: what matters most to whoever gets the stems comes first."""
