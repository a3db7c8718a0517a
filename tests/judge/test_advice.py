"""Input advice, against the arithmetic of peak and average."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stager.judge.advice import Aim, advise, changes, no_advice_sentence
from stager.model import Advice, Finding, Levels, Verdict
from stager.model.condition import LoudestEvent
from stager.model.condition_limits import ConditionLimits
from tests.making import levels

AIM = Aim(peak_dbfs=-12.0, average_dbfs=-18.0, tolerance_db=3.0)


def take(peak_dbfs: float | None, average_dbfs: float | None, **more: Any) -> Levels:
    return levels(sample_peak_dbfs=peak_dbfs, average_dbfs=average_dbfs, **more)


def advised(peak_dbfs: float, average_dbfs: float, **more: Any) -> Advice:
    found = advise(take(peak_dbfs, average_dbfs), AIM, **more)
    assert found is not None
    return found


def bump(
    peak_dbfs: float = -6.0, rest_peak_dbfs: float | None = -20.0, rest_dbfs: float | None = -30.0
) -> LoudestEvent:
    return LoudestEvent(
        at_s=12.3,
        start_s=12.1,
        stop_s=13.4,
        peak_dbfs=peak_dbfs,
        rest_peak_dbfs=rest_peak_dbfs,
        rest_average_dbfs=rest_dbfs,
    )


@pytest.mark.parametrize(
    ("peak", "average", "change", "which"),
    [
        (-4.0, -20.0, -8, "its peaks"),
        (-25.0, -31.0, 13, "its peaks"),
        (-20.0, -20.0, 0, "The level is right"),
        (-30.0, -25.0, 7, "its average"),
        (-15.0, -8.0, -10, "its average"),
        (-6.0, -21.0, -6, "its peaks"),
        (-21.0, -36.0, 9, "its peaks"),
    ],
)
def test_the_smaller_change_counts(peak: float, average: float, change: int, which: str) -> None:
    """Of -12 - peak and -18 - average the smaller is advised, and which one it was is said."""
    found = advised(peak, average)
    assert found.input_change_db == change
    assert which in found.says


def test_at_a_crest_of_15_db_both_cannot_hold() -> None:
    """Peaks at -12 with 15 dB to the average leave it at -27: turning up 9 dB more would bring the peaks to -3."""
    found = advised(-22.0, -37.0)
    assert found.input_change_db == 10
    assert found.says == "Turn the input 10 dB up: its peaks, at -22.0 dBFS, then come to -12."


@pytest.mark.parametrize(("peak", "change"), [(-15.0, 0), (-15.1, 3), (-9.0, 0), (-8.9, -3)])
def test_inside_the_tolerance_nothing_is_turned(peak: float, change: int) -> None:
    """Three dB to either side are right, to the border."""
    assert advised(peak, -40.0).input_change_db == change


def test_a_calm_sentence() -> None:
    """A good level is told as such."""
    says = advised(-12.5, -20.0).says
    assert says == "The level is right (peaks at -12.5 dBFS, average -20.0 dBFS): leave the input as it is."


@given(peak=st.floats(-60.0, 0.0), crest=st.floats(0.0, 30.0))
def test_following_it_brings_the_take_to_the_aim(peak: float, crest: float) -> None:
    """Once followed, peak or average lies within 1 dB of its aim, and neither is more than half a dB over."""
    found = advised(peak, peak - crest)
    after = (peak + found.input_change_db + 12.0, peak - crest + found.input_change_db + 18.0)
    if found.input_change_db:
        assert max(after) <= 0.5 + 1e-9
        assert max(after) >= -1.0
    else:
        assert abs(max(after)) <= 3.0


def test_the_aim_is_the_projects_own() -> None:
    """Another aim gives another change."""
    found = advise(take(-4.0, -20.0), Aim(-6.0, -10.0, 1.0))
    assert found is not None
    assert found.input_change_db == -2


def test_the_reference_makes_no_difference() -> None:
    """An average against a square reads 3.01 dB lower and gives the same advice."""
    square = advise(take(-40.0, -30.0103, average_reference="square"), AIM)
    assert square == advised(-40.0, -27.0)


@pytest.mark.parametrize(("peak", "average"), [(None, None), (-75.0, None)])
def test_silence_gets_no_advice(peak: float | None, average: float | None) -> None:
    """Where nothing plays there is no change, but a sentence."""
    assert advise(take(peak, average), AIM) is None
    assert no_advice_sentence(take(peak, average)) is not None
    assert no_advice_sentence(take(-12.0, -18.0)) is None


def test_a_bump_does_not_set_the_gain() -> None:
    """A knock 14 dB over all the rest is left out, said so, and what it would have asked for is said too."""
    found = advised(-6.0, -30.0, event=bump())
    assert found.input_change_db == 8
    assert found.says == (
        "Turn the input 8 dB up: its peaks, at -20.0 dBFS, then come to -12. The loudest moment, at 0:12.3, stands "
        "14 dB over all the rest and is not counted; with it the advice would be -6 dB."
    )


@pytest.mark.parametrize(("rest", "change"), [(-10.9, -6), (-11.0, 0), (None, -6)])
def test_an_accent_counts(rest: float | None, change: int) -> None:
    """Under 5 dB over the rest, or with no rest, the loudest moment is part of the playing."""
    found = advised(-6.0, -30.0, event=bump(rest_peak_dbfs=rest))
    assert found.input_change_db == change
    assert ("not counted" in found.says) is (change == 0)


def finding(code: str, verdict: Verdict = Verdict.PLAY_AGAIN, **more: Any) -> Finding:
    return Finding(code=code, verdict=verdict, says="x", **more)


@pytest.mark.parametrize(("peak", "average", "change"), [(0.0, -12.0, -12), (-14.0, -25.0, -6), (0.0, -5.0, -13)])
def test_a_clipped_take_says_at_least(peak: float, average: float, change: int) -> None:
    """Nobody knows how far it went over: at least what was measured, and at least 6 dB."""
    found = advised(peak, average, findings=[finding("clipped_upstream")])
    assert found.input_change_db == change
    assert found.says == f"Clipped: turn the input at least {-change} dB down, then check again."


def test_what_only_looks_clipped_is_not() -> None:
    """A finding that is no reason to play again, and any other code, leave the advice as it is."""
    others = [finding("clipped", Verdict.LISTEN), finding("dropout")]
    assert advised(-12.0, -20.0, findings=others).input_change_db == 0


@pytest.mark.parametrize(("count", "change"), [(2, 0), (3, -6), (40, -6)])
def test_peaks_that_end_at_full_scale_again_and_again_may_be_clipped(count: int, change: int) -> None:
    """Three tops at full scale are turned down though a limiter may have left them; it is said that nobody knows."""
    found = advised(0.0, -18.0, event=bump(0.0), findings=[finding("clipped", Verdict.LISTEN, count=count)])
    assert found.input_change_db == (change or 8)
    assert found.says.startswith("Perhaps clipped: turn the input at least 6 dB down, then") is bool(change)
    upstream = [finding("clipped_upstream", Verdict.LISTEN, count=count)]
    assert advised(-12.0, -18.0, findings=upstream).input_change_db == 0


@pytest.mark.parametrize(
    ("at_s", "count", "alone"),
    [((12.3, 12.5), 2, True), ((12.3, 20.0), 2, False), ((12.3,), 40, False), ((), 1, False)],
)
def test_a_clipped_moment_is_turned_down_and_told_apart(at_s: tuple[float, ...], count: int, alone: bool) -> None:
    """What is clipped can't be repaired, a bump or not; where only the loudest moment is, the rest's wish is said."""
    found = advised(0.0, -30.0, event=bump(0.0), findings=[finding("clipped", at_s=at_s, count=count)])
    assert found.input_change_db == -6
    assert ("if that was a bump, the rest alone asks for +8 dB." in found.says) is alone


@pytest.mark.parametrize(
    ("peak", "said"),
    [
        (-22.0, "it leaves 12 dB up to full scale, and people play 6 to 10 dB louder later, which fits."),
        (-9.5, "it leaves 10 dB up to full scale, and people play 6 to 10 dB louder later: 1 dB further down"),
    ],
)
def test_a_level_check(peak: float, said: str) -> None:
    """A short take says how much room the real performance has; a long one does not."""
    assert said in advised(peak, -40.0, duration_s=19.9).says
    assert "level check" not in advised(peak, -40.0, duration_s=20.0).says


def test_limits_can_be_set() -> None:
    """A threshold that was set counts."""
    found = advised(-14.0, -25.0, findings=[finding("clipped")], limits=ConditionLimits(clipped_least_db=10))
    assert found.input_change_db == -10


def test_changes_need_both() -> None:
    """Without a level there is nothing to ask for."""
    assert changes(None, -20.0, AIM) is None
    assert changes(-10.0, None, AIM) is None
