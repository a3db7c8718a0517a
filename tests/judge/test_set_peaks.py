"""What an export did to every stem alike: one set that has it and a near miss for each."""

from math import cos, log10, pi
from typing import Any

import pytest

from stager.judge.candidates import findings_from
from stager.judge.set_peaks import halved_bits, is_halved, same_peaks
from stager.model import Encoding, Verdict
from stager.model.handover import SetFinding, StemFacts
from tests.judge.facts import fact, found, peaks, several

DOUBLED = found("dual_mono")
FLAT = found("clipped_upstream", Verdict.LISTEN, 1.0)
CLIPPED = found("clipped", Verdict.PLAY_AGAIN, 1.0)
CONSTANT_POWER_DB = 20 * log10(cos(pi / 4))
LINEAR_DB = 20 * log10(0.5)
COMPROMISE_DB = (CONSTANT_POWER_DB + LINEAR_DB) / 2
"""Centre of the three laws: cos(p pi / 2) at p = 1/2, 1 - p, and the geometric mean of the two."""
SILENT = {"sample_peak_dbfs": None, "true_peak_dbtp": None, "average_dbfs": None}


def said(stems: list[StemFacts]) -> SetFinding | None:
    """The one finding about peaks, or None."""
    candidates = same_peaks(stems)
    assert len(candidates) <= 1
    return findings_from(candidates[0], frozenset())[0] if candidates else None


def at(*levels_dbfs: float, **changes: Any) -> list[StemFacts]:
    """Stems with these peaks, all with the changes."""
    return several(*({**peaks(level), **changes} for level in levels_dbfs))


def test_one_peak_everywhere() -> None:
    """Four stems that all peak at -1 dBFS, to a thousandth, were normalised; the one that was not is not named."""
    finding = said(at(-1.0, -1.0, -1.001, -1.0, -9.3))
    assert finding is not None
    assert (finding.code, finding.verdict) == ("same_peak_everywhere", Verdict.LISTEN)
    assert finding.stems == ("a.wav", "b.wav", "c.wav", "d.wav")
    assert finding.measured == {"sample_peak_dbfs": (-1.0, -1.0, -1.001, -1.0)}
    assert finding.says == (
        "4 stems with one and the same peak, -1.00 dBFS: a.wav, b.wav, c.wav and d.wav. "
        "A normaliser or limiter left on? It took the balance away: export again without it."
    )


@pytest.mark.parametrize(
    "stems",
    [
        at(-1.0, -1.1, -0.9, -1.05, -1.02),
        at(-1.0, -1.0),
        at(-1.0, -1.0, -3.0, -7.0),
        at(-1.0, -1.0, -1.0, -3.0, -4.0, -5.0, -7.0),
        at(0.0, 0.0, 0.0, findings=(CLIPPED,)),
        [*at(-1.0, -1.0), *several(SILENT, SILENT, SILENT)],
        several(SILENT, SILENT, SILENT),
        [],
    ],
    ids=["near", "two", "two of four", "three of seven", "clipped at full scale", "two and silence", "silence", "none"],
)
def test_no_one_peak(stems: list[StemFacts]) -> None:
    """Peaks a tenth apart, two alike, fewer than half alike, takes clipped at full scale and silence are no sign."""
    assert said(stems) is None


def test_silence_does_not_count_against_it() -> None:
    """Silent stems are not asked: three of three that sound are all."""
    finding = said([*at(-1.0, -1.0, -1.0), fact("x.wav", **SILENT), fact("y.wav", **SILENT), fact("z.wav", **SILENT)])
    assert finding is not None
    assert len(finding.stems) == 3


def test_one_true_peak_everywhere() -> None:
    """A normaliser that looks between the samples leaves sample peaks apart and true peaks alike."""
    finding = said(several(*({"sample_peak_dbfs": peak, "true_peak_dbtp": -1.0} for peak in (-1.3, -1.1, -2.0))))
    assert finding is not None
    assert "one and the same peak, -1.00 dBTP" in finding.says


def test_flat_at_one_level() -> None:
    """Flat tops below full scale at one level on most stems are a limiter's, not many bad takes."""
    finding = said([*at(-0.3, -0.3, -0.302, findings=(FLAT,)), fact("x.wav"), fact("y.wav", **peaks(-11.0))])
    assert finding is not None
    assert (finding.code, finding.verdict) == ("same_peak_everywhere", Verdict.LISTEN)
    assert finding.says == (
        "3 stems cut flat at one level, -0.30 dBFS: a.wav, b.wav and c.wav. "
        "A limiter left on the main output? Export again without it."
    )


@pytest.mark.parametrize(
    "stems",
    [
        at(-0.3, -1.4, -2.5, findings=(FLAT,)),
        at(-0.3, -0.3, findings=(FLAT,)),
        [*at(-0.3, -0.3, -0.3, findings=(FLAT,)), *at(-2.0, -3.0, -4.0, -5.0)],
    ],
    ids=["each at its own level", "two", "three of seven"],
)
def test_not_flat_at_one_level(stems: list[StemFacts]) -> None:
    """Takes that overloaded one input are cut at levels of their own, or are few."""
    assert said(stems) is None


def test_mostly_flat_at_one_peak() -> None:
    """A part that reaches the limiter for a moment only peaks where the others are cut flat: it belongs to them."""
    finding = said([*at(-0.3, -0.3, findings=(FLAT,)), fact("x.wav", **peaks(-0.3)), fact("y.wav", **peaks(-11.0))])
    assert finding is not None
    assert finding.stems == ("a.wav", "b.wav", "x.wav")
    assert "limiter left on the main output" in finding.says


def test_mostly_whole_at_one_peak() -> None:
    """One take that was flat before it was normalised with all others does not make a limiter of it."""
    finding = said([*at(-1.0, -1.0, -1.0), fact("x.wav", **peaks(-1.0), findings=(FLAT,))])
    assert finding is not None
    assert "normaliser" in finding.says
    assert len(finding.stems) == 4


@pytest.mark.parametrize("law_db", [CONSTANT_POWER_DB, COMPROMISE_DB, LINEAR_DB])
@pytest.mark.parametrize("own", [(DOUBLED,), (DOUBLED, FLAT)], ids=["whole", "flat"])
def test_pan_law(law_db: float, own: tuple[Any, ...]) -> None:
    """Mono parts in stereo files that all peak at exactly a pan law's centre went through it; other stems may be."""
    finding = said([*at(law_db, law_db, law_db, findings=own), fact("x.wav"), fact("y.wav", **peaks(-1.0))])
    assert finding is not None
    assert (finding.code, len(finding.stems)) == ("same_peak_everywhere", 3)
    assert f"peak at exactly {law_db:.2f} dBFS" in finding.says
    assert f"A pan law took {-law_db:.2f} dB off" in finding.says


@pytest.mark.parametrize("level_db", [-3.0, -4.5, -6.0])
def test_round_figures_are_a_normaliser(level_db: float) -> None:
    """A normaliser's round figure lies a hundredth beside the pan law's, and is told as what it is."""
    finding = said(at(level_db, level_db, level_db, findings=(DOUBLED,)))
    assert finding is not None
    assert "normaliser" in finding.says


def test_true_stereo_at_a_pan_law() -> None:
    """Stereo parts at that peak were not panned: one peak is all that is said."""
    finding = said(at(*[CONSTANT_POWER_DB] * 3))
    assert finding is not None
    assert "normaliser" in finding.says


HALF = {"findings": (DOUBLED,), "used_bits": 17, **peaks(-7.0)}


def test_half_level_by_its_bits() -> None:
    """16-bit mono parts at half level need 17 bits and never pass half of full scale: a fact, exactly 6.02 dB."""
    (candidate,) = halved_bits([*several(HALF, HALF), fact("x.wav")])
    (finding,) = findings_from(candidate, frozenset())
    assert (finding.code, finding.verdict, finding.stems) == ("padded_bits", Verdict.USABLE, ("a.wav", "b.wav"))
    assert finding.says == (
        "2 mono parts at half level in stereo files: a.wav and b.wav. A pan law took exactly 6.02 dB off on export."
    )


@pytest.mark.parametrize(
    "change",
    [{"used_bits": 16}, {"used_bits": 18}, {"used_bits": None}, {"findings": ()}, peaks(-6.0), peaks(-1.0)],
    ids=["16 bits", "18 bits", "no grid", "true stereo", "just over half", "loud"],
)
def test_not_half_level(change: dict[str, Any]) -> None:
    """Another grid, two different sides, or a peak over half of full scale: then it was none, or can't be told."""
    assert not is_halved(fact(**{**HALF, **change}))


@pytest.mark.parametrize(
    ("encoding", "valid_bits", "used_bits"),
    [(Encoding.PCM_24, 24, 17), (Encoding.PCM_32, 32, 25), (Encoding.FLOAT, 0, 25)],
)
def test_half_level_at_its_edge(encoding: Encoding, valid_bits: int, used_bits: int) -> None:
    """Full scale at half level is half of full scale itself, in every file that can hold the bit."""
    stem = fact(encoding=encoding, valid_bits=valid_bits, used_bits=used_bits, findings=(DOUBLED,), **peaks(LINEAR_DB))
    assert is_halved(stem)


@pytest.mark.parametrize(
    "stems", [several(HALF), several(HALF, HALF, {"findings": (DOUBLED,)})], ids=["one", "not all"]
)
def test_half_level_of_few(stems: list[StemFacts]) -> None:
    """One stem, or one mono part among others that was not halved, is not an export's pan law."""
    assert halved_bits(stems) == []
