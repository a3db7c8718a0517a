"""Traces of an export that changed every stem alike: normalised, limited, or lowered by a pan law. Pure.

The peaks of three stems never agree to a few thousandths of a dB by chance. Only what has no other explanation is
reported.
"""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

from stager.judge.candidates import CandidateFinding
from stager.judge.sentences import counted, listed
from stager.model import Verdict
from stager.model.handover import StemFacts
from stager.units import db_from_linear

SAME_SAMPLE_PEAK_DB: Final = 0.005
"""Sample peaks that agree like this are one: twice what dither and rounding move a peak of -12 dBFS in 16 bits."""
SAME_TRUE_PEAK_DB: Final = 0.02
"""The same for true peaks, which two meters read alike to a few hundredths where a part is not too bright (own)."""
FEWEST_ALIKE: Final = 3
"""Two stems may agree by chance or be copies; three and at least half of all that sound do not (own figure)."""
PAN_LAW_LINEAR: Final = (sqrt(0.5), sqrt(sqrt(0.125)), 0.5)
"""What the constant-power, compromise and linear pan laws leave of a part in the centre: -3.01, -4.52, -6.02 dB."""
PAN_LAW_GRACE_DB: Final = 0.002
"""A normaliser's aim of -3, -4.5 or -6 dBFS is at least 0.010 dB away from all of them."""
HALVED_BITS: Final = (17, 25)
"""The grid of 16-bit and 24-bit audio at half its level: one bit more. No recorder writes such a grid of itself."""
FEWEST_HALVED: Final = 2
HALF_DBFS: Final = db_from_linear(0.5) or 0.0


def same_peaks(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return the finding of equal peaks, with its most likely cause alone: pan law, limiter or normaliser left on."""
    return _pan_law(facts) or _one_peak(facts)


def halved_bits(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return mono parts exported as stereo at exactly half their level, shown by the one bit that this costs."""
    doubled = [stem for stem in _sounding(facts) if "dual_mono" in stem.codes]
    halved = [stem for stem in doubled if is_halved(stem)]
    if len(halved) < FEWEST_HALVED or len(halved) < len(doubled):
        return []
    says = _Sentence("mono part", "at half level in stereo files", "A pan law took exactly 6.02 dB off on export.")
    each = {"used_bits": lambda stem: float(stem.used_bits or 0)}
    return [CandidateFinding("padded_bits", Verdict.USABLE, halved, says, each=each)]


def is_halved(stem: StemFacts) -> bool:
    """Return whether both sides are equal, on the grid of a common depth at half level, under half of full scale."""
    peak = stem.sample_peak_dbfs
    return "dual_mono" in stem.codes and stem.used_bits in HALVED_BITS and peak is not None and peak <= HALF_DBFS + 1e-9


def _pan_law(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return the dual-mono stems that all peak at exactly what a pan law leaves of full scale."""
    doubled = [stem for stem in _sounding(facts) if "dual_mono" in stem.codes]
    alike = _alike(doubled, _sample_peak, PAN_LAW_GRACE_DB)
    law_db = _law_db(alike)
    if law_db is None or not _enough(alike, doubled):
        return []
    what = f"in stereo files that peak at exactly {law_db:.2f} dBFS"
    return [
        _candidate(
            alike,
            "mono part",
            what,
            f"A pan law took {-law_db:.2f} dB off on export; they had reached full scale before.",
        )
    ]


def _one_peak(facts: Sequence[StemFacts]) -> list[CandidateFinding]:
    """Return the stems, at least half of all, that have the same peak; stems clipped at full scale don't count.

    Where most of them are cut flat below full scale, it was a limiter on the way out.
    """
    sounding = _sounding(facts)
    whole = [stem for stem in sounding if "clipped" not in stem.codes]
    by_sample = _alike(whole, _sample_peak, SAME_SAMPLE_PEAK_DB)
    by_true = _alike(whole, _true_peak, SAME_TRUE_PEAK_DB)
    alike = by_true if len(by_true) > len(by_sample) else by_sample
    if not _enough(alike, sounding):
        return []
    peak = f"{_true_peak(alike[0]):.2f} dBTP" if alike is by_true else f"{_sample_peak(alike[0]):.2f} dBFS"
    flat = sum("clipped_upstream" in stem.codes for stem in alike)
    if 2 * flat >= len(alike):
        what = f"cut flat at one level, {peak}"
        return [_candidate(alike, "stem", what, "A limiter left on the main output? Export again without it.")]
    advice = "A normaliser or limiter left on? It took the balance away: export again without it."
    return [_candidate(alike, "stem", f"with one and the same peak, {peak}", advice)]


def _candidate(alike: Sequence[StemFacts], noun: str, what: str, advice: str) -> CandidateFinding:
    each = {"sample_peak_dbfs": _sample_peak}
    return CandidateFinding("same_peak_everywhere", Verdict.LISTEN, alike, _Sentence(noun, what, advice), each=each)


@dataclass(frozen=True)
class _Sentence:
    """The sentence that says what stems have in common, and where it may come from."""

    noun: str
    what: str
    advice: str

    def __call__(self, stems: Sequence[StemFacts]) -> str:
        """Return the sentence about these stems."""
        return f"{counted(len(stems), self.noun)} {self.what}: {listed([stem.stem for stem in stems])}. {self.advice}"


def _sounding(facts: Sequence[StemFacts]) -> list[StemFacts]:
    return [
        stem
        for stem in facts
        if stem.average_dbfs is not None and stem.sample_peak_dbfs is not None and stem.true_peak_dbtp is not None
    ]


def _alike(stems: Sequence[StemFacts], peak: Callable[[StemFacts], float], grace_db: float) -> list[StemFacts]:
    """Return the largest group whose peaks all lie within the grace, in the order of the set."""
    levels = sorted(map(peak, stems))
    counts = [bisect_right(levels, lowest + grace_db) - place for place, lowest in enumerate(levels)]
    if not counts:
        return []
    lowest = levels[counts.index(max(counts))]
    return [stem for stem in stems if lowest <= peak(stem) <= lowest + grace_db]


def _enough(alike: Sequence[StemFacts], of: Sequence[StemFacts]) -> bool:
    return len(alike) >= FEWEST_ALIKE and 2 * len(alike) >= len(of)


def _law_db(alike: Sequence[StemFacts]) -> float | None:
    """Return the pan law at whose level these peaks stand, where all of them are mono parts in stereo files."""
    if not alike or not all("dual_mono" in stem.codes for stem in alike):
        return None
    laws = [db_from_linear(left) or 0.0 for left in PAN_LAW_LINEAR]
    near = (law for law in laws if all(abs(_sample_peak(stem) - law) <= PAN_LAW_GRACE_DB for stem in alike))
    return next(near, None)


def _sample_peak(stem: StemFacts) -> float:
    return stem.sample_peak_dbfs or 0.0


def _true_peak(stem: StemFacts) -> float:
    return stem.true_peak_dbtp or 0.0
