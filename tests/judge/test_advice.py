"""Input advice, against the arithmetic of peak and average."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stager.judge.advice import CAUTION, Aim, advise, no_advice_sentence, without_a_raise
from stager.model import Advice, Finding, Levels, Verdict
from stager.model.condition import LoudestEvent
from stager.model.limits import TakeLimits
from stager.model.takes import LearnedLift
from tests.support.records import levels

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
        (-23.0, -31.0, 11, "its peaks"),
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
    assert found.says == f"{CAUTION} Turn the input 10 dB up: its peaks at -22.0 dBFS then come to -12."


@pytest.mark.parametrize(("peak", "change"), [(-15.0, 0), (-15.1, 3), (-9.0, 0), (-8.9, -3)])
def test_inside_the_tolerance_nothing_is_turned(peak: float, change: int) -> None:
    """Three dB to either side are right, to the border."""
    assert advised(peak, -40.0).input_change_db == change


def test_a_calm_sentence() -> None:
    """A good level is told as such."""
    says = advised(-12.5, -20.0).says
    assert says == "The level is right (peaks at -12.5 dBFS, average of -20.0 dBFS): leave the input as it is."


@given(peak=st.floats(-60.0, 0.0), crest=st.floats(0.0, 30.0))
def test_following_it_brings_the_take_to_the_aim(peak: float, crest: float) -> None:
    """Once followed, peak or average lies within 1 dB of its aim, and neither is more than half a dB over."""
    found = advised(peak, peak - crest)
    after = (peak + found.input_change_db + 12.0, peak - crest + found.input_change_db + 18.0)
    assert found.input_change_db <= 12
    if found.input_change_db == 12:
        assert max(after) <= 0.5 + 1e-9
    elif found.input_change_db:
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


def test_a_loud_moment_may_be_a_bump() -> None:
    """A knock 14 dB over the rest may be the playing: its number, the safe one, comes first, then that of the rest."""
    found = advised(-18.0, -40.0, event=bump(-18.0, rest_peak_dbfs=-32.0, rest_dbfs=-42.0))
    assert (found.input_change_db, found.alternative_change_db) == (6, 12)
    assert found.says == (
        f"{CAUTION} One moment, at 0:12.3, stands 14 dB over the rest. If that was playing, turn the input 6 dB up; "
        "if it was a bump, turn the input 12 dB up, then check again."
    )


def test_no_raise_where_the_loud_moment_would_clip() -> None:
    """The rest asks for 8 dB up, the moment peaks at -6: the second number leaves the input where it is."""
    found = advised(-6.0, -30.0, event=bump())
    assert (found.input_change_db, found.alternative_change_db) == (-6, 0)
    assert found.says.endswith("turn the input 6 dB down; if it was a bump, leave the input as it is.")


@pytest.mark.parametrize(("rest", "other"), [(-10.9, None), (-11.0, 0), (None, None)])
def test_an_accent_counts(rest: float | None, other: int | None) -> None:
    """Under 5 dB over the rest, or with no rest, the loudest moment is part of the playing."""
    found = advised(-6.0, -30.0, event=bump(rest_peak_dbfs=rest))
    assert (found.input_change_db, found.alternative_change_db) == (-6, other)


@pytest.mark.parametrize(("noise", "other"), [(-70.0, 0), (-40.1, 0), (-40.0, None), (-29.0, None)])
def test_a_single_stroke_in_noise_is_the_playing(noise: float, other: int | None) -> None:
    """A rest within 10 dB of the noise floor is noise: one hit in quiet is what people play to check a level."""
    found = advise(take(-6.0, -20.0, noise_floor_dbfs=noise), AIM, event=bump())
    assert found is not None
    assert (found.input_change_db, found.alternative_change_db) == (-6, other)


@given(
    peak=st.floats(-90.0, 6.0),
    crest=st.floats(0.0, 40.0),
    below=st.floats(0.0, 60.0),
    aim_peak=st.floats(-60.0, 0.0),
    noise=st.none() | st.floats(-100.0, -40.0),
)
def test_no_advice_can_hurt(peak: float, crest: float, below: float, aim_peak: float, noise: float | None) -> None:
    """Whatever the take and the aim: no raise over 12 dB, none that brings the highest peak over -6, all with care."""
    event = bump(peak, rest_peak_dbfs=peak - below, rest_dbfs=peak - below - crest)
    measured = take(peak, peak - crest, noise_floor_dbfs=noise)
    found = advise(measured, Aim(aim_peak, -60.0 + crest, 3.0), event=event, duration_s=5.0)
    assert found is not None
    numbers = [found.input_change_db, found.alternative_change_db or found.input_change_db]
    assert numbers == sorted(numbers)
    for number in numbers:
        assert number <= max(0.0, min(12.0, -6.0 - peak))
        assert peak + number <= -3.0 + 1e-9
    assert found.says.startswith(CAUTION) is (max(numbers) > 0)


@pytest.mark.parametrize(("peak", "change", "again"), [(-23.0, 11, False), (-24.4, 12, False), (-40.0, 12, True)])
def test_twelve_at_once(peak: float, change: int, again: bool) -> None:
    """What asks for more than 12 dB is turned up by 12 and checked again."""
    found = advised(peak, peak - 20.0)
    assert found.input_change_db == change
    assert ("then check again" in found.says) is again


def test_a_raise_that_could_clip_is_not_advised() -> None:
    """A project that aims at peaks of -2 gets none over -6 all the same."""
    found = advise(take(-6.0, -30.0), Aim(-1.0, -10.0, 1.0))
    assert found is not None
    assert found.input_change_db == 0
    assert found.says == "A raise could clip (peaks at -6.0 dBFS, average of -30.0 dBFS): leave the input as it is."


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


@pytest.mark.parametrize(("count", "is_clipped"), [(2, False), (3, True), (40, True)])
def test_peaks_that_end_at_full_scale_again_and_again_may_be_clipped(count: int, is_clipped: bool) -> None:
    """Three tops at full scale are turned down by a least number, though a limiter may have left them."""
    found = advised(0.0, -18.0, findings=[finding("clipped", Verdict.LISTEN, count=count)])
    assert found.input_change_db == -12
    assert found.says.startswith("Perhaps clipped: turn the input at least 12 dB down, then") is is_clipped
    upstream = [finding("clipped_upstream", Verdict.LISTEN, count=count)]
    assert advised(-12.0, -18.0, findings=upstream).input_change_db == 0


@pytest.mark.parametrize(
    ("at_s", "count", "alone"),
    [((12.3, 12.5), 2, True), ((12.3, 20.0), 2, False), ((12.3,), 40, False), ((), 1, False)],
)
def test_a_clipped_moment_is_turned_down(at_s: tuple[float, ...], count: int, alone: bool) -> None:
    """What is clipped can't be repaired, a bump or not; where only one moment is, it is said where."""
    found = advised(0.0, -30.0, event=bump(0.0), findings=[finding("clipped", at_s=at_s, count=count)])
    assert (found.input_change_db, found.alternative_change_db) == (-15, None)
    assert ("Only one moment is clipped, at 0:12.3" in found.says) is alone


@pytest.mark.parametrize(("flat_s", "change"), [(0.0, -15), (0.009, -15), (0.011, -18), (0.11, -24)])
def test_the_longer_it_is_flat_the_further_down(flat_s: float, change: int) -> None:
    """Full scale asks for 15 dB at least; a thousandth and a hundredth of ten seconds that are flat for 18 and 24."""
    found = advised(0.0, -12.0, findings=[finding("clipped", total_s=flat_s)], duration_s=10.0)
    assert found.input_change_db == change


@pytest.mark.parametrize(
    ("peak", "said"),
    [
        (-12.0, "Room for the loud part: 12 dB, enough."),
        (-9.5, "Room for the loud part: 10 dB; people play 6 to 10 dB louder than in a level check, so 1 dB further"),
    ],
)
def test_a_level_check(peak: float, said: str) -> None:
    """A short take says how much room the real performance has; a long one does not."""
    assert said in advised(peak, -40.0, duration_s=19.9).says
    assert "Room" not in advised(peak, -40.0, duration_s=20.0).says


def test_a_known_lift_is_allowed_for() -> None:
    """Who plays 7 dB louder when it counts is brought 7 dB lower in the level check, and it is said why."""
    lift = LearnedLift(pairs=6, median_db=7.0, lowest_db=5.0, highest_db=9.0)
    found = advised(-12.0, -20.0, duration_s=10.0, lift=lift)
    assert found.input_change_db == -7
    assert found.says.endswith("You play 7 dB louder than in a level check (5 to 9 in 6): allowed for.")


def test_limits_can_be_set() -> None:
    """A threshold that was set counts."""
    found = advised(-14.0, -25.0, findings=[finding("clipped")], limits=TakeLimits(clipped_least_db=20))
    assert found.input_change_db == -20


@pytest.mark.parametrize(
    ("advice", "peaks", "change", "other"),
    [
        (Advice(input_change_db=9, alternative_change_db=None, says="up"), [-4.0], 0, None),
        (Advice(input_change_db=9, alternative_change_db=None, says="up"), [-14.9, -20.0], 0, None),
        (Advice(input_change_db=9, alternative_change_db=None, says="up"), [-15.0, -20.0], 9, None),
        (Advice(input_change_db=-2, alternative_change_db=8, says="two"), [-12.0], -2, None),
        (Advice(input_change_db=-8, alternative_change_db=None, says="down"), [0.0], -8, None),
        (Advice(input_change_db=9, alternative_change_db=None, says="up"), [], 9, None),
    ],
)
def test_a_softer_take_raises_nothing_that_would_clip(
    advice: Advice, peaks: list[float], change: int, other: int | None
) -> None:
    """The louder takes at the same gain bound the raise by arithmetic: peak + raise <= -6 dBFS, or none."""
    found = without_a_raise(advice, peaks)
    assert (found.input_change_db, found.alternative_change_db) == (change, other)
