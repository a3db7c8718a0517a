"""The decision as a table of plain numbers: what decides, what is rounded, and how the gates are solved."""

from collections.abc import Callable
from dataclasses import dataclass, field
from math import log10
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.judge import FigureAfter, decide_trim
from stager.model import DecidedBy, Levels, Rule, Target, TrimDecision
from tests.support.records import levels


def follows(measured_db: float) -> FigureAfter:
    """A figure without gates: it moves as the gain does."""
    return lambda gain_db: measured_db + gain_db


def stem(average_dbfs: float | None = -20.0, true_peak_dbtp: float | None = -12.0, **more: Any) -> Levels:
    """Levels of which the decision sees the peaks alone."""
    return levels(
        **{
            "average_dbfs": average_dbfs,
            "true_peak_dbtp": true_peak_dbtp,
            "sample_peak_dbfs": true_peak_dbtp,
            "crest_db": 12.0,
            **more,
        }
    )


@dataclass(frozen=True)
class Case:
    """One decision: what is measured, what is asked for, and what is to come out."""

    measured: float
    peak: float
    by: DecidedBy
    gain: float
    wanted: float
    target: Target = field(default_factory=Target)
    guard: float | None = None


TARGET, TOLERANCE, CEILING, BOOST = (
    DecidedBy.TARGET,
    DecidedBy.TOLERANCE,
    DecidedBy.CEILING,
    DecidedBy.BOOST_LIMIT,
)

CASES = {
    "raised to the target": Case(-24.0, -14.0, TARGET, 6.0, 6.0),
    "lowered to the target": Case(-12.0, -6.0, TARGET, -6.0, -6.0),
    "raised as far as the ceiling": Case(-24.0, -7.0, CEILING, 4.0, 6.0),
    "raised as far as the boost limit": Case(-45.0, -40.0, BOOST, 18.0, 27.0),
    "ceiling before boost limit": Case(-45.0, -15.0, CEILING, 12.0, 27.0),
    "inside the tolerance": Case(-18.9, -10.0, TOLERANCE, 0.0, 0.0),
    "at the edge of the tolerance": Case(-19.0, -10.0, TOLERANCE, 0.0, 0.0),
    "inside, from above": Case(-17.0, -10.0, TOLERANCE, 0.0, 0.0),
    "just outside": Case(-19.01, -10.0, TARGET, 1.0, 1.01),
    "inside, at the ceiling": Case(-18.5, -3.0, TOLERANCE, 0.0, 0.0),
    "inside, but over the ceiling": Case(-18.5, -2.5, CEILING, -0.5, 0.5),
    "over the ceiling and too quiet": Case(-30.0, -1.0, CEILING, -2.0, 12.0),
    "over the ceiling and too loud": Case(-10.0, -1.0, TARGET, -8.0, -8.0),
    "over the ceiling by more than too loud": Case(-17.0, 3.0, CEILING, -6.0, -1.0),
    "rounded down, raised": Case(-21.96, -14.0, TARGET, 3.9, 3.96),
    "rounded down, lowered": Case(-14.04, -10.0, TARGET, -4.0, -3.96),
    "rounded down to the ceiling": Case(-24.0, -6.25, CEILING, 3.2, 6.0),
    "lowered to the ceiling, rounded down": Case(-18.0, -2.75, CEILING, -0.3, 0.0),
    "a hair under a step is the step": Case(-18.0 - 2.9999999999, -14.0, TARGET, 3.0, 2.9999999999),
    "more than grace under a step is not": Case(-18.0 - 2.9999, -14.0, TARGET, 2.9, 2.9999),
    "three tenths in floating point": Case(-18.3, -14.0, TARGET, 0.3, 0.3, Target(tolerance_db=0.0)),
    "seven tenths in floating point": Case(-18.7, -14.0, TARGET, 0.7, 0.7, Target(tolerance_db=0.0)),
    "a whole step of 3": Case(-25.0, -20.0, TARGET, 6.0, 7.0, Target(step_db=3.0)),
    "a whole step of 3, lowered": Case(-11.0, -6.0, TARGET, -9.0, -7.0, Target(step_db=3.0)),
    "a fine step": Case(-21.2346, -14.0, TARGET, 3.234, 3.2346, Target(step_db=0.001)),
    "a tie of target and ceiling": Case(-22.0, -7.0, TARGET, 4.0, 4.0),
    "a tie of target and boost": Case(-24.0, -14.0, TARGET, 6.0, 6.0, Target(max_boost_db=6.0)),
    "a tie of ceiling and boost": Case(-30.0, -9.0, CEILING, 6.0, 12.0, Target(max_boost_db=6.0)),
    "a tie after rounding": Case(-22.04, -7.0, TARGET, 4.0, 4.04),
    "no boost allowed": Case(-24.0, -14.0, BOOST, 0.0, 6.0, Target(max_boost_db=0.0)),
    "no room and no step": Case(-24.0, -3.05, CEILING, 0.0, 6.0),
    "the guard before the ceiling": Case(-24.0, -1.0, CEILING, 0.9, 6.0, Target(ceiling_dbtp=0.0), guard=-0.01),
    "the guard leaves a stem inside the tolerance": Case(
        -18.0, -0.001, TOLERANCE, 0.0, 0.0, Target(ceiling_dbtp=0.0), guard=-0.01
    ),
    "nor does it count at the ceiling itself": Case(
        -18.0, 0.0, TOLERANCE, 0.0, 0.0, Target(ceiling_dbtp=0.0), guard=-0.01
    ),
    "the guard where samples are rewritten": Case(
        -19.5, -0.001, CEILING, -0.1, 1.5, Target(ceiling_dbtp=0.0), guard=-0.01
    ),
    "the guard over the ceiling, inside the tolerance": Case(
        -18.0, 0.095, CEILING, -0.2, 0.0, Target(ceiling_dbtp=0.0), guard=-0.01
    ),
    "the ceiling before the guard": Case(-24.0, -7.0, CEILING, 4.0, 6.0, guard=-0.01),
    "brought to another level": Case(-24.0, -14.0, TARGET, 4.0, 4.0, Target(level_db=-20.0)),
    "by sample peak": Case(-14.0, -13.5, TARGET, 4.0, 4.0, Target(rule="peak", level_db=-10.0)),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_decision(case: Case) -> None:
    """What decides, the gain in whole steps, and what the target asked for (worked arithmetic)."""
    found = decide_trim(stem(case.measured, case.peak), case.target, follows(case.measured), clip_guard_dbfs=case.guard)
    assert found.decided_by is case.by
    assert found.gain_db == case.gain
    assert found.wanted_gain_db == pytest.approx(case.wanted, abs=1e-9)
    assert found.measured_db == case.measured


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_what_a_decision_keeps(case: Case) -> None:
    """Every limit, the ceiling without any guard, what the copy will read, and the fader move back stand there."""
    found = decide_trim(stem(case.measured, case.peak), case.target, follows(case.measured), clip_guard_dbfs=case.guard)
    assert found.ceiling_allows_db == pytest.approx(case.target.ceiling_dbtp - case.peak, abs=1e-9)
    assert found.boost_allows_db == case.target.max_boost_db
    assert found.predicted_average_dbfs == pytest.approx(case.measured + case.gain, abs=1e-9)
    assert found.predicted_true_peak_dbtp == pytest.approx(case.peak + case.gain, abs=1e-9)
    assert found.restore_fader_db == -case.gain
    assert found.target == case.target


STEPS_DB = st.sampled_from([0.001, 0.01, 0.1, 0.25, 0.3, 0.5, 1.0, 3.0])


@settings(deadline=None, max_examples=300)
@given(
    measured=st.floats(-90.0, 10.0),
    crest=st.floats(0.0, 40.0),
    step=STEPS_DB,
    tolerance=st.floats(0.0, 6.0),
    ceiling=st.floats(-20.0, 0.0),
    boost=st.floats(0.0, 60.0),
)
def test_promises_of_any_decision(
    measured: float, crest: float, step: float, tolerance: float, ceiling: float, boost: float
) -> None:
    """Never over the ceiling or the boost limit, a whole number of steps, and no more than a step under the least."""
    target = Target(step_db=step, tolerance_db=tolerance, ceiling_dbtp=ceiling, max_boost_db=boost)
    found = decide_trim(stem(measured, measured + crest), target, follows(measured))
    grace = 1e-6 * step + 1e-9
    assert measured + crest + found.gain_db <= ceiling + grace
    assert found.gain_db <= boost + grace
    assert found.gain_db / step == pytest.approx(round(found.gain_db / step), abs=1e-6)
    if found.decided_by is not TOLERANCE:
        least = min(-18.0 - measured, ceiling - measured - crest, boost)
        assert -grace <= least - found.gain_db < step + grace


@settings(deadline=None, max_examples=200)
@given(measured=st.floats(-90.0, 10.0), crest=st.floats(0.0, 40.0), step=STEPS_DB)
def test_no_gain_is_minus_zero(measured: float, crest: float, step: float) -> None:
    """A gain of nothing is 0, not -0, so that it reads as nothing."""
    found = decide_trim(stem(measured, measured + crest), Target(step_db=step), follows(measured))
    assert str(found.gain_db) != "-0.0"
    assert str(found.restore_fader_db) != "-0.0"


def gated(*blocks_db: float, gate_db: float = -70.0) -> Callable[[float], float | None]:
    """A figure with steps: the power mean of the blocks that a gain lifts over the gate."""

    def figure(gain_db: float) -> float | None:
        from_gate = [10 ** ((block + gain_db) / 10) for block in blocks_db if block + gain_db >= gate_db]
        if not from_gate:
            return None
        return 10 * log10(sum(from_gate) / len(from_gate))

    return figure


REGATED = {
    "one quiet part is lifted": (-60.0, -75.0),
    "many quiet parts, one after the other": (-60.0, -72.0, -76.0, -80.0, -84.0, -88.0),
    "many equal quiet parts": (-60.0, *[-75.0] * 20),
    "nothing is lifted": (-30.0, -31.0),
    "lowered under the gate": (-5.0, -69.0, -69.5, -60.0),
}


@pytest.mark.parametrize("blocks_db", REGATED.values(), ids=REGATED.keys())
def test_gates_count_as_they_will_stand(blocks_db: tuple[float, ...]) -> None:
    """The wanted gain is the one after which the figure, gated again, reads the target."""
    target = Target(max_boost_db=60.0, step_db=0.001)
    figure = gated(*blocks_db)
    found = decide_trim(stem(figure(0.0), -58.0), target, figure)
    assert found.wanted_gain_db is not None
    assert figure(found.wanted_gain_db) == pytest.approx(-18.0, abs=1e-6)


def test_figure_that_never_meets_the_target() -> None:
    """A figure that jumps across the target still gives a decision: the search ends."""

    def jumps(gain_db: float) -> float:
        return -25.0 + gain_db if gain_db < 7.0 else -24.0 + gain_db

    found = decide_trim(stem(-25.0, -40.0), Target(), jumps)
    assert found.decided_by is TARGET
    assert found.wanted_gain_db is not None
    assert found.wanted_gain_db == pytest.approx(6.5, abs=0.51)


def test_figure_that_vanishes_after_the_gain() -> None:
    """Where a lowered stem would fall under every gate, the gain is the one that plain arithmetic gives."""
    found = decide_trim(stem(-10.0, -5.0), Target(level_db=-75.0), lambda gain: -10.0 + gain if gain > -60.0 else None)
    assert (found.gain_db, found.decided_by) == (-65.0, TARGET)
    assert found.predicted_average_dbfs is None


SILENT = {
    "digital silence": stem(None, None, crest_db=None),
    "too quiet to measure": stem(None, -75.0),
}


@pytest.mark.parametrize("found_levels", SILENT.values(), ids=SILENT.keys())
def test_silent(found_levels: Levels) -> None:
    """Without a figure nothing is wanted and nothing is done."""
    found = decide_trim(found_levels, Target(), lambda _gain: None)
    assert (found.decided_by, found.gain_db, found.wanted_gain_db) == (DecidedBy.SILENT, 0.0, None)
    assert found.measured_db is found.predicted_average_dbfs is None


@pytest.mark.parametrize("rule", ["average", "loudness", "vu", "peak"])
@pytest.mark.parametrize("peak", [-75.0, -2.0], ids=["quiet", "over the ceiling"])
def test_without_an_average_nothing_is_done(rule: Rule, peak: float) -> None:
    """A stem without a block above the gate stays under every rule that moves stems, whatever the rule's figure is."""
    target = Target(rule=rule, level_db=-10.0, max_boost_db=60.0)
    found = decide_trim(stem(None, peak), target, follows(peak), average_after=lambda _gain: None)
    assert (found.decided_by, found.gain_db, found.wanted_gain_db) == (DecidedBy.SILENT, 0.0, None)
    assert (found.predicted_average_dbfs, found.predicted_true_peak_dbtp) == (None, peak)


@pytest.mark.parametrize("found_levels", SILENT.values(), ids=SILENT.keys())
def test_leave_without_an_average(found_levels: Levels) -> None:
    """The rule `leave` stays what decided, in silence too."""
    found = decide_trim(found_levels, Target(rule="leave"), lambda _gain: None)
    assert (found.decided_by, found.gain_db, found.wanted_gain_db) == (DecidedBy.LEAVE, 0.0, None)


def test_silent_without_a_peak_has_no_limit() -> None:
    """Digital silence may be raised by any gain, so no ceiling is stated."""
    found = decide_trim(stem(None, None, crest_db=None), Target(), lambda _gain: None)
    assert found.ceiling_allows_db is found.predicted_true_peak_dbtp is None


@pytest.mark.parametrize("peak", [-20.0, 2.0])
def test_leave(peak: float) -> None:
    """The rule `leave` wins over target and ceiling alike."""
    found = decide_trim(stem(-30.0, peak), Target(rule="leave"), follows(-30.0))
    assert (found.decided_by, found.gain_db, found.wanted_gain_db) == (DecidedBy.LEAVE, 0.0, None)
    assert found.predicted_true_peak_dbtp == peak


def test_average_is_predicted_under_every_rule() -> None:
    """Where the rule works on another figure, the predicted average is still the average."""
    target = Target(rule="peak", level_db=-10.0)
    found = decide_trim(stem(-30.0, -14.0), target, follows(-14.0), average_after=follows(-30.0))
    assert found.predicted_average_dbfs == pytest.approx(-26.0)


def test_role_is_written_down() -> None:
    """The decision carries the role under which it was made."""

    def decided(role: str | None) -> TrimDecision:
        return decide_trim(stem(), Target(), follows(-20.0), role=role)

    assert (decided("hand drum").role, decided(None).role) == ("hand drum", None)


GUARDS = {
    "the waveform is higher": (0.5, -2.0, -0.5),
    "the samples reach as high": (-2.0, -2.0, 1.9),
}


@pytest.mark.parametrize(("true_peak", "sample_peak", "gain"), GUARDS.values(), ids=GUARDS.keys())
def test_guard_is_held_against_the_sample_peak(true_peak: float, sample_peak: float, gain: float) -> None:
    """The top code limits samples, the ceiling the waveform: each is held against its own peak, and the lower wins."""
    found = decide_trim(
        stem(-24.0, true_peak, sample_peak_dbfs=sample_peak),
        Target(ceiling_dbtp=0.0),
        follows(-24.0),
        clip_guard_dbfs=-0.01,
    )
    assert (found.decided_by, found.gain_db) == (CEILING, gain)
    assert found.ceiling_allows_db == pytest.approx(-true_peak)
