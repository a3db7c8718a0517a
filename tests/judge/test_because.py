"""The sentence of a decision: what happened, what stopped it, and never a level without its convention."""

import re

import pytest

from stager.judge import decide_trim, figure_name, moved
from stager.model import Rule, Target
from tests.support.records import levels

REFERENCES = {
    "average, sine": (Target(), r"average of -18 dBFS.*(AES17|sine)"),
    "average, square": (Target(reference="square"), r"average of -18 dBFS.*square"),
    "average, fraction": (Target(level_db=-20.5), r"average of -20\.5 dBFS.*(AES17|sine)"),
    "loudness": (Target(rule="loudness", level_db=-23.0), "loudness of -23 LUFS"),
    "peak": (Target(rule="peak", level_db=-10.0), "sample peak of -10 dBFS"),
}

MOVED = {
    "raised": (3.2, "Raised 3.2 dB"),
    "lowered": (-3.2, "Lowered 3.2 dB"),
    "whole": (6.0, "Raised 6 dB"),
    "nothing": (0.0, "Left as it is"),
}

SENTENCES = {
    "target": (-24.0, -14.0, Target(), ("Raised 6 dB", "-24.0", figure_name(Target()))),
    "target, lowered": (-12.0, -6.0, Target(), ("Lowered 6 dB", "-12.0", figure_name(Target()))),
    "rounded down": (
        -24.05,
        -14.0,
        Target(),
        ("Raised 6 dB: from -24.1 to -18.1, within a step of 0.1 dB under the average of -18",),
    ),
    "ceiling": (
        -24.0,
        -7.0,
        Target(),
        ("Raised 4 dB", "6.0 dB", "the ceiling of -3 dBTP stopped it", "the true peak goes from -7.0 to -3.0 dBTP"),
    ),
    "ceiling, lowered": (-30.0, -1.0, Target(), ("Lowered 2 dB", "12.0 dB", "the ceiling of -3 dBTP", "-1.0 to -3.0")),
    "boost limit": (-45.0, -40.0, Target(), ("Raised 18 dB", "27.0 dB", "the largest boost of 18 dB stopped it")),
    "tolerance, under": (
        -18.9,
        -10.0,
        Target(),
        ("Left as it is", "0.9 dB under", "tolerance of 1 dB", figure_name(Target())),
    ),
    "tolerance, above": (
        -17.2,
        -10.0,
        Target(),
        ("Left as it is", "0.8 dB above", "tolerance of 1 dB", figure_name(Target())),
    ),
    "peak rule": (-14.0, -14.0, Target(rule="peak", level_db=-10.0), ("Raised 4 dB", "sample peak of -10 dBFS")),
}

WHOLE = {
    "leave": (-30.0, 1.0, Target(rule="leave"), "Left as it is: its rule is to be left."),
    "less than a step under": (
        -18.05,
        -10.0,
        Target(tolerance_db=0.0),
        "Left as it is: it lacks +0.05 dB to the average of -18 dBFS RMS (AES17), less than one step.",
    ),
    "less than a coarse step under": (
        -20.25,
        -10.0,
        Target(step_db=3.0),
        "Left as it is: it lacks +2.25 dB to the average of -18 dBFS RMS (AES17), less than one step.",
    ),
    "less than a step to the ceiling": (
        -24.0,
        -3.05,
        Target(),
        (
            "Left as it is; the target asked for +6.0 dB, the ceiling of -3 dBTP stopped it: "
            "the true peak is -3.0 dBTP already."
        ),
    ),
}


@pytest.mark.parametrize(("target", "name"), REFERENCES.values(), ids=REFERENCES.keys())
def test_a_level_is_named_with_its_convention(target: Target, name: str) -> None:
    """The name of a target level has unit and reference in it."""
    assert re.search(name, figure_name(target))


@pytest.mark.parametrize(("gain_db", "says"), MOVED.values(), ids=MOVED.keys())
def test_moved(gain_db: float, says: str) -> None:
    """A gain is said as a person would, without a sign to misread."""
    assert moved(gain_db) == says


@pytest.mark.parametrize(("measured", "peak", "target", "parts"), SENTENCES.values(), ids=SENTENCES.keys())
def test_sentence_says_what_happened(measured: float, peak: float, target: Target, parts: tuple[str, ...]) -> None:
    """The sentence has what was done, from where, what was asked, and what stopped it."""
    found = levels(average_dbfs=measured, sample_peak_dbfs=peak, true_peak_dbtp=peak)
    says = decide_trim(found, target, lambda gain: measured + gain).because
    for part in parts:
        assert part in says
    assert says.endswith(".")
    assert "\n" not in says


@pytest.mark.parametrize(("measured", "peak", "target", "says"), WHOLE.values(), ids=WHOLE.keys())
def test_sentence_of_a_stem_that_stays(measured: float, peak: float, target: Target, says: str) -> None:
    """Where nothing is done, the whole sentence says why: its rule, or a step that is larger than what it lacks."""
    found = levels(average_dbfs=measured, sample_peak_dbfs=peak, true_peak_dbtp=peak)
    decision = decide_trim(found, target, lambda gain: measured + gain)
    assert (decision.gain_db, decision.because) == (0.0, says)


@pytest.mark.parametrize("rule", ["average", "loudness", "vu", "peak"])
@pytest.mark.parametrize("peak", [None, -75.0])
def test_silent_sentence(peak: float | None, rule: Rule) -> None:
    """Of a stem that never rises above the gate the sentence says so, whether its rule's figure exists or not."""
    found = levels(average_dbfs=None, sample_peak_dbfs=peak, true_peak_dbtp=peak)
    for figure in (None, peak):
        says = decide_trim(found, Target(rule=rule), lambda _gain, figure=figure: figure).because
        assert says == "Left as it is: too quiet to measure, no sound in it rises above -70 dBFS."


def test_leave_sentence_of_silence() -> None:
    """Silence that is to be left is left for its rule, which wins over everything."""
    found = levels(average_dbfs=None, sample_peak_dbfs=None, true_peak_dbtp=None)
    says = decide_trim(found, Target(rule="leave"), lambda _gain: None).because
    assert says == "Left as it is: its rule is to be left."
