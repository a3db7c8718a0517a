"""Findings of noise, hum and offset: just past each border, and just short of it."""

from typing import Any

import pytest

from stager.judge.condition import condition_findings, dc_offset, hum, noise_raised, steady_noise_raised
from stager.model import Finding, Verdict
from stager.model.condition import Condition, Offset, Pause, SteadyNoise
from stager.model.limits import ConditionLimits
from tests.support.records import levels

PAUSE = Pause(at_s=72.5, length_s=1.3, level_dbfs=-70.0)
LIMITS = ConditionLimits()


def noise_of(floor_dbfs: float | None, gain_db: float | None, **changes: Any) -> list[Finding]:
    return noise_raised(PAUSE, levels(noise_floor_dbfs=floor_dbfs, **changes), gain_db, LIMITS, "the voice")


@pytest.mark.parametrize(
    ("floor_dbfs", "gain_db", "verdict"),
    [
        (-70.0, 9.9, None),
        (-70.0, 10.1, Verdict.USABLE),
        (-70.0, 19.9, Verdict.USABLE),
        (-70.0, 20.1, Verdict.LISTEN),
        (-45.0, -6.0, Verdict.USABLE),
        (-45.0, 0.0, Verdict.LISTEN),
    ],
)
def test_noise_is_judged_after_the_trim(floor_dbfs: float, gain_db: float, verdict: Verdict | None) -> None:
    """A gain raises the noise one for one (algebra): -60 dBFS after it is the border to tell, -50 to listen."""
    found = noise_of(floor_dbfs, gain_db)
    assert [finding.verdict for finding in found] == ([verdict] if verdict else [])


def test_noise_sentence() -> None:
    """The sentence says how far the noise lies below the part, and where to hear it; loud noise is heard in gaps."""
    (loud,) = noise_of(-39.0, 0.0, average_dbfs=-18.0)
    assert loud.says == "Noise is only 21 dB below the voice: you will hear it in gaps. Listen at 1:12.5."
    (found,) = noise_of(-68.0, 16.0)
    assert found.says == "Noise is 48 dB below the voice: faint in gaps. Listen at 1:12.5."
    assert (found.code, found.at_s, found.worst_at_s) == ("noise_raised", (72.5,), 72.5)
    assert found.measured == {"noise_floor_dbfs": -68.0, "noise_after_trim_dbfs": -52.0, "above_noise_db": 48.0}


def test_a_take_is_judged_at_a_usual_average() -> None:
    """A take at -40 dBFS with noise at -75 has it at -53 once it is brought to -18: its distance counts."""
    (found,) = noise_of(-75.0, None, average_dbfs=-40.0)
    assert found.verdict is Verdict.USABLE
    assert found.measured["noise_after_trim_dbfs"] == pytest.approx(-53.0)


def test_the_reference_makes_no_difference() -> None:
    """Levels against a square read 3.01 dB lower, and mean the same noise."""
    (sine,) = noise_of(-52.0, 0.0, average_dbfs=-20.0)
    (square,) = noise_of(-55.0103, 0.0, average_dbfs=-23.0103, average_reference="square")
    assert square.says == sine.says


@pytest.mark.parametrize(
    ("level_dbfs", "verdict"),
    [(-62.1, None), (-61.9, Verdict.USABLE), (-52.1, Verdict.USABLE), (-51.9, Verdict.LISTEN)],
)
def test_noise_under_a_part_that_never_pauses(level_dbfs: float, verdict: Verdict | None) -> None:
    """It has the borders of noise in pauses: a take at -20 dBFS is brought to -18 first."""
    noise = SteadyNoise(level_dbfs=level_dbfs, at_s=3.2)
    found = steady_noise_raised(noise, levels(), None, LIMITS, "the cello")
    assert [finding.verdict for finding in found] == ([verdict] if verdict else [])


def test_sentence_of_noise_under_a_part_that_never_pauses() -> None:
    """It says how far, where to listen, and that a sound may have noise of its own."""
    (found,) = condition_findings(Condition(noise=SteadyNoise(level_dbfs=-41.0, at_s=3.2)), levels(), None)
    assert found.says == (
        "Even noise, only 21 dB below the part, which never pauses. Listen at 0:03.2: if it belongs to the sound, all "
        "is well."
    )
    assert (found.code, found.worst_at_s, found.measured["above_noise_db"]) == ("noise_raised", 3.2, 21.0)


def test_hum_under_a_part_that_never_pauses_is_told_once() -> None:
    """Hum that is most of the noise is reported alone, in a pause or not."""
    stem = levels(hum_dbfs=-42.0, hum_hz=50.0)
    found = condition_findings(Condition(noise=SteadyNoise(level_dbfs=-41.0, at_s=3.2)), stem, 0.0)
    assert [finding.code for finding in found] == ["hum"]


def test_no_noise_without_a_steady_pause() -> None:
    """What is quiet and not steady may be a note that rings out."""
    assert noise_raised(None, levels(noise_floor_dbfs=-30.0), 0.0, LIMITS) == []
    assert noise_of(None, 0.0) == []


@pytest.mark.parametrize(("hum_dbfs", "codes"), [(-42.9, {"hum"}), (-43.1, {"hum", "noise_raised"})])
def test_hum_that_is_the_noise_is_told_once(hum_dbfs: float, codes: set[str]) -> None:
    """Where at least half of the noise's power is hum, within 3 dB of it, the hum alone is told."""
    stem = levels(noise_floor_dbfs=-40.0, hum_dbfs=hum_dbfs, hum_hz=50.0)
    assert {finding.code for finding in condition_findings(Condition(pause=PAUSE), stem, 0.0)} == codes


@pytest.mark.parametrize(
    ("hum_dbfs", "gain_db", "verdict"),
    [
        (-75.0, 4.9, None),
        (-75.0, 5.1, Verdict.USABLE),
        (-75.0, 19.9, Verdict.USABLE),
        (-75.0, 20.1, Verdict.LISTEN),
        (-75.0, None, None),
        (-72.0, None, None),
        (-71.9, None, Verdict.USABLE),
    ],
)
def test_hum(hum_dbfs: float, gain_db: float | None, verdict: Verdict | None) -> None:
    """Hum is told over -70 dBFS after the trim and asks to listen over -55; a take is brought from -20 to -18 first."""
    found = hum(PAUSE, levels(hum_dbfs=hum_dbfs, hum_hz=60.0), gain_db, LIMITS)
    assert [finding.verdict for finding in found] == ([verdict] if verdict else [])


def test_hum_sentence() -> None:
    """It says which mains, how far under the part, where to listen, and what to look for."""
    (found,) = hum(PAUSE, levels(hum_dbfs=-58.0, hum_hz=50.0), 6.0, LIMITS)
    assert found.says == (
        "Hum of 50 Hz from the mains, 38 dB below the part: listen at 1:12.5, and keep power supplies away from the "
        "cable. Before you unplug anything, turn the monitors down and phantom power off."
    )
    (found,) = hum(None, levels(hum_dbfs=-58.0, hum_hz=50.0), 6.0, LIMITS)
    assert "listen in its quietest moment" in found.says
    assert (found.at_s, found.worst_at_s) == ((), None)


def test_silence_has_no_condition() -> None:
    """Without an average there is nothing that noise could be compared with."""
    quiet = levels(average_dbfs=None, noise_floor_dbfs=-80.0, hum_dbfs=-80.0, hum_hz=50.0)
    assert condition_findings(Condition(pause=PAUSE, offsets=(None,)), quiet, None) == []


def offset(**changes: float) -> Offset:
    parts = {"median_linear": 0.002, "same_sign_ratio": 1.0, "quiet_linear": 0.002, "covered_s": 60.0}
    return Offset(**{**parts, **changes})


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, True),
        ({"median_linear": 0.00101}, True),
        ({"median_linear": 0.001}, False),
        ({"same_sign_ratio": 0.9}, True),
        ({"same_sign_ratio": 0.89}, False),
        ({"quiet_linear": 0.001}, True),
        ({"quiet_linear": 0.0009}, False),
        ({"quiet_linear": -0.002}, False),
        ({"median_linear": -0.002, "quiet_linear": -0.002}, True),
        ({"median_linear": -0.002, "quiet_linear": 0.002}, False),
        ({"covered_s": 5.0}, True),
        ({"covered_s": 4.9}, False),
    ],
)
def test_offset(changes: dict[str, float], told: bool) -> None:
    """Each of the four conditions is needed: size, one sign, quiet moments too, and five seconds."""
    assert bool(dc_offset([offset(**changes)], LIMITS)) is told


def test_the_larger_of_two_offsets() -> None:
    """The worse channel gives the figure, and both are named."""
    (found,) = dc_offset([offset(), None, offset(median_linear=-0.01, quiet_linear=-0.01)], LIMITS)
    assert (found.code, found.verdict, found.channels) == ("dc_offset", Verdict.USABLE, (1, 3))
    assert found.measured == {"offset_linear": -0.01, "offset_dbfs": pytest.approx(-40.0)}


@pytest.mark.parametrize(
    ("offsets", "where"),
    [
        ((offset(),), ""),
        ((None, offset()), ", right"),
        ((offset(), offset()), ", both sides"),
        ((None, offset(), offset()), ", channels 2, 3"),
    ],
)
def test_offset_names_its_channel(offsets: tuple[Offset | None, ...], where: str) -> None:
    """It says how large the offset is, where, and what takes it out; a high-pass filter would thin a bass."""
    (found,) = dc_offset(offsets, LIMITS)
    assert found.says == (
        f"Constant offset (0.2 % of full scale){where}. Harmless unless you cut hard; the step remove_dc takes it out."
    )


def test_limits_can_be_set() -> None:
    """A threshold that was set counts."""
    strict = ConditionLimits(noise_listen_dbfs=-65.0)
    (found,) = condition_findings(Condition(pause=PAUSE), levels(noise_floor_dbfs=-64.0), 0.0, strict)
    assert found.verdict is Verdict.LISTEN
