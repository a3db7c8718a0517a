"""Whether a set can be sent: everything at once, worst first, in ten lines."""

from typing import Any

import pytest

from stager.judge.handover import first_lines, handover
from stager.model import Encoding, Verdict
from stager.model.handover import SetFinding, StemFacts
from tests.judge.facts import fact, found, peaks, several


def named(*changes: dict[str, Any]) -> list[StemFacts]:
    """Stems as `several` gives them, named ka.wav, kb.wav and on: short, and with a word."""
    return [stem.model_copy(update={"stem": f"k{stem.stem}"}) for stem in several(*changes)]


def codes(findings: tuple[SetFinding, ...]) -> list[str]:
    return [finding.code for finding in findings]


def test_a_set_without_fault() -> None:
    """Stems of one format with plain names make no finding."""
    stems = [fact("kick.wav"), fact("bass.wav", **peaks(-5.0)), fact("sarod.wav", **peaks(-3.3))]
    assert handover(stems) == ()
    assert handover([]) == ()


def test_worst_first() -> None:
    """What can't be repaired comes first, then what to listen to, then facts; inside each, by what matters."""
    stems = [
        fact("kick.wav", findings=(found("clipped", Verdict.PLAY_AGAIN, 2.5),)),
        fact("bass.wav", sample_rate_hz=44_100, frames=441_000, **peaks(-5.0)),
        fact("hand drum.wav", frames=500_000, **peaks(-3.0)),
        fact("sarod.wav", used_bits=16, findings=(found("dual_mono"),), **peaks(-2.0)),
    ]
    findings = handover(stems)
    assert codes(findings) == ["clipped", "rate_differs", "name_unclear", "dual_mono", "padded_bits", "length_differs"]
    severities = [finding.verdict.severity for finding in findings]
    assert severities == sorted(severities, reverse=True)
    assert (findings[0].says, findings[0].at_s, findings[0].stems) == ("Clipped: kick.wav.", (2.5,), ("kick.wav",))


@pytest.mark.parametrize("code", ["silent", "one_sided", "dual_mono"])
def test_facts_are_summed_up(code: str) -> None:
    """Silent, one-sided and doubled stems are counted in one line each, with the verdict that the stems have."""
    (finding,) = handover(named({"findings": (found(code),)}, {}, {"findings": (found(code),)}))
    assert (finding.code, finding.verdict, finding.stems) == (code, Verdict.USABLE, ("ka.wav", "kc.wav"))
    assert "ka.wav and kc.wav" in finding.says


def test_a_fact_of_a_stem_is_no_fault_of_the_set() -> None:
    """A finding that is usable, or that its role or project made usable, is not listed among the faults."""
    assert handover(named({"findings": (found("hum"),)}, {"findings": (found("inter_sample_over"),)})) == ()


def test_places_only_where_all_have_one() -> None:
    """Places stand beside stems one to one, or not at all."""
    with_place, without = found("hum", Verdict.LISTEN, 3.0), found("hum", Verdict.LISTEN)
    assert handover(named({"findings": (with_place,)}))[0].at_s == (3.0,)
    assert handover(named({"findings": (with_place,)}, {"findings": (without,)}))[0].at_s == ()


def test_the_worst_place_of_named() -> None:
    """Of two findings of one code the graver names the place."""
    own = (found("dropout", Verdict.LISTEN, 1.0), found("dropout", Verdict.PLAY_AGAIN, 9.0))
    (finding,) = handover(named({"findings": own}))
    assert (finding.verdict, finding.at_s) == (Verdict.PLAY_AGAIN, (9.0,))


def test_allowed_in_the_project() -> None:
    """What the project file calls deliberate stays told, as usable, and sinks."""
    stems = named({}, {"sample_rate_hz": 96_000, "frames": 960_000}, {}, {"encoding": Encoding.FLOAT, "valid_bits": 0})
    assert codes(handover(stems)) == ["rate_differs", "depth_differs"]
    findings = handover(stems, frozenset({"rate_differs"}))
    assert [(finding.code, finding.verdict) for finding in findings] == [
        ("depth_differs", Verdict.LISTEN),
        ("rate_differs", Verdict.USABLE),
    ]


def test_allowed_in_a_role() -> None:
    """A role's exception holds for its stems alone."""
    odd = {"sample_rate_hz": 96_000, "frames": 960_000}
    findings = handover(named({}, {}, {}, {}, odd, {**odd, "allow": ("rate_differs",)}))
    assert [(finding.verdict, finding.stems) for finding in findings] == [
        (Verdict.LISTEN, ("ke.wav",)),
        (Verdict.USABLE, ("kf.wav",)),
    ]


def test_half_level_is_not_called_padded_as_well() -> None:
    """Stems told by their 17 bits to be at half level are not listed for their unused bits again; others are."""
    half = {"findings": (found("dual_mono"),), "used_bits": 17, **peaks(-7.0)}
    findings = [finding for finding in handover(named(half, half, {"used_bits": 16})) if finding.code == "padded_bits"]
    assert [finding.stems for finding in findings] == [("ka.wav", "kb.wav"), ("kc.wav",)]


def set_findings(count: int) -> tuple[SetFinding, ...]:
    """So many findings, the first of them usable, the last to be played again."""
    verdicts = [Verdict.USABLE, *[Verdict.LISTEN] * (count - 2), Verdict.PLAY_AGAIN]
    return tuple(SetFinding(code=f"c{i}", verdict=verdict, says=f"s{i}") for i, verdict in enumerate(verdicts))


def test_ten_lines_at_most() -> None:
    """Twelve findings are nine lines, worst first, and one that counts the other three and says what they are about."""
    lines = first_lines(set_findings(12))
    assert len(lines) == 10
    assert lines[0] == (Verdict.PLAY_AGAIN, "s11")
    assert lines[1:9] == tuple((Verdict.LISTEN, f"s{i}") for i in range(1, 9))
    assert lines[9] == (Verdict.LISTEN, "And 3 more findings about c9, c10, c0; --all shows them.")


def test_ten_findings_are_ten_lines() -> None:
    """Where all fit, none is counted."""
    assert [says for _, says in first_lines(set_findings(10))] == ["s9", *(f"s{i}" for i in range(1, 9)), "s0"]


def test_forty_stems_with_every_fault_stay_readable() -> None:
    """A long set makes sentences of a few names and a count, and no stem is lost from the data."""
    stems = [
        fact(f"Audio {place}.wav", sample_rate_hz=44_100 if place % 3 else 48_000, used_bits=16, **peaks(-1.0 - place))
        for place in range(40)
    ]
    findings = handover(stems)
    assert len(first_lines(findings)) <= 10
    assert all(len(finding.says) < 240 for finding in findings)
    (names,) = [finding for finding in findings if finding.measured.get("fault") == "says_nothing"]
    assert len(names.stems) == 40
    assert names.says.endswith("and 37 more.")


def test_each_stem_keeps_its_own_verdict() -> None:
    """One stem to play again and one to listen to, clipped both: two lines, each with its own stem and verdict."""
    bad, hot = found("clipped", Verdict.PLAY_AGAIN), found("clipped", Verdict.LISTEN)
    lines = handover([fact("kick.wav", findings=(bad,)), fact("bass.wav", findings=(hot,), **peaks(-5.0))])
    clipped = [(line.verdict, line.stems) for line in lines if line.code == "clipped"]
    assert clipped == [(Verdict.PLAY_AGAIN, ("kick.wav",)), (Verdict.LISTEN, ("bass.wav",))]
