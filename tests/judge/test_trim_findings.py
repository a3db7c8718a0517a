"""Copies over their ceiling, and copies far from their target."""

from typing import Any

import pytest

from stager.judge import decide_trim, out_of_reach
from stager.model import DecidedBy, Target, TrimDecision, Verdict
from tests.support.records import levels


def trim(average: float, true_peak: float, **target: Any) -> TrimDecision:
    stem = levels(average_dbfs=average, true_peak_dbtp=true_peak, sample_peak_dbfs=true_peak)
    return decide_trim(stem, Target(**target), lambda gain: average + gain)


@pytest.mark.parametrize(
    ("average", "peak", "says"),
    [
        (-58.0, -40.0, "Raised 18 dB, your limit. Still 22 dB too quiet: bounce it louder."),
        (
            -40.0,
            -10.0,
            (
                "Raised 7 dB, by its ceiling of -3 dBTP. Still 15 dB under its target: its peaks stand far over its "
                "average, so a peak target may suit it."
            ),
        ),
    ],
)
def test_out_of_reach(average: float, peak: float, says: str) -> None:
    """A limit that leaves a copy more than 6 dB under its target is worth a look, with what to do."""
    (found,) = out_of_reach(trim(average, peak))
    assert (found.code, found.verdict, found.says) == ("out_of_reach", Verdict.LISTEN, says)


def test_a_link_that_holds_a_stem_back() -> None:
    """The member that allows no more is named."""
    held = trim(-30.0, -20.0).model_copy(
        update={"gain_db": 1.0, "decided_by": DecidedBy.LINK, "limited_by_stem": "snare.wav"}
    )
    (found,) = out_of_reach(held)
    assert found.says == "Raised 1 dB with its link. Still 11 dB under its target: snare.wav allows no more."


@pytest.mark.parametrize(("average", "peak"), [(-42.0, -30.0), (-30.0, -9.0), (-18.5, -1.0), (-18.0, -6.0)])
def test_within_reach(average: float, peak: float) -> None:
    """Six dB short are a limit at work; at the target nothing is short."""
    assert out_of_reach(trim(average, peak)) == []


def test_silence_has_no_target() -> None:
    """Where nothing was wanted, nothing is short."""
    silent = levels(average_dbfs=None, true_peak_dbtp=None, sample_peak_dbfs=None)
    assert out_of_reach(decide_trim(silent, Target(), lambda _: None)) == []
