"""Findings of damage and of silence, from runs and levels alone."""

from typing import Any

import pytest

from stager.judge import (
    allowed,
    clipped,
    clipped_below_overs,
    corrupt,
    decide_trim,
    dropout,
    inter_sample_over,
    nothing_recorded,
    over_ceiling,
    over_full_scale,
    silent,
)
from stager.model import DamageLimits, Finding, FlatTop, Gap, Gaps, Target, Verdict
from stager.model.run_summary import NO_RUNS, RunSummary
from tests.support.records import levels, stream

INFO = stream(24, 2, 480_000)


def runs(*found: tuple[int, int, int]) -> RunSummary:
    """Sum up runs of (channel, start, stop), by the definition of a summary."""
    longest = max(found, key=lambda run: (run[2] - run[1], -run[1]))
    return RunSummary(
        count=len(found),
        total_frames=sum(stop - start for _, start, stop in found),
        channels=tuple(sorted({channel for channel, _, _ in found})),
        starts=tuple(sorted(start for _, start, _ in found)[:20]),
        longest_start=longest[1],
        longest_frames=longest[2] - longest[1],
    )


def top(level: float = 1.0, **changes: Any) -> FlatTop:
    """Four flat tops of five samples at one level, but for the changes."""
    parts: dict[str, Any] = {
        "channel": 0,
        "level_linear": level,
        "tolerance_linear": 2.0**-15,
        "events": 4,
        "frames": 20,
        "flat_events": 4,
        "flat_frames": 20,
        "short_events": 0,
        "pair_events": 0,
        "below_events": 0,
        "longest_frames": 6,
        "longest_start": 96_000,
        "starts": (48_000, 96_000, 144_000, 192_000),
    }
    return FlatTop(**{**parts, **changes})


def gap(start: int, frames: int = 100, *, channel: int = 0, value: float = 0.0) -> Gap:
    """One place where sound is missing."""
    return Gap(channel=channel, start=start, frames=frames, value_linear=value)


def test_nothing_is_clipped_without_a_top() -> None:
    """No flat top, no finding."""
    assert clipped([], INFO) == []


def test_clipped() -> None:
    """Flat tops are counted over both sides and channels, placed, and the longest is the one to listen to."""
    lower = top(-1.0, channel=1, events=3, frames=12, flat_events=3, longest_frames=5, starts=(24_000, 30_000, 36_000))
    (found,) = clipped([top(), lower], INFO)
    assert (found.code, found.verdict) == ("clipped", Verdict.PLAY_AGAIN)
    assert (found.channels, found.count) == ((1, 2), 7)
    assert (found.at_s[:3], found.worst_at_s) == ((0.5, 0.625, 0.75), 2.0)
    assert found.total_s == pytest.approx(32 / 48_000)
    assert found.measured == {"level_dbfs": 0.0, "longest_frames": 6.0, "events": 7.0, "polarity": "both"}
    assert found.says == (
        "Clipped 7 times, worst at 0:02.0. Look at its take: if that is clean, bounce it again, lower; "
        "if it is clipped too, record it again."
    )


def test_a_clipped_take_is_about_the_input() -> None:
    """In the recorder's folder there is no bounce: the input is too high, or what is ahead of it."""
    (at_full,) = clipped([top()], INFO, is_take=True)
    assert at_full.says == "Clipped 4 times, worst at 0:02.0: turn the input down and play it again."
    (below,) = clipped([top(0.5)], INFO, is_take=True)
    assert below.says.endswith("something ahead of the recorder clips; turn that down and play it again.")


@pytest.mark.parametrize(("level", "polarity"), [(0.5, "upper"), (-0.5, "lower")])
def test_clipped_upstream(level: float, polarity: str) -> None:
    """Flat tops at half of full scale (-6.02 dBFS) were cut before the file was made."""
    (found,) = clipped([top(level)], INFO)
    assert (found.code, found.verdict) == ("clipped_upstream", Verdict.PLAY_AGAIN)
    assert found.measured["level_dbfs"] == pytest.approx(-6.0206, abs=1e-4)
    assert found.measured["polarity"] == polarity
    assert found.says.startswith("Clipped 4 times at -6.0 dBFS, before this file was made, worst at 0:02.0. Look")


@pytest.mark.parametrize("level", [1.0 - 2.0**-15, 1.0, -1.0])
def test_full_scale_is_the_top_code_of_any_converter(level: float) -> None:
    """The top code of 16 bits, in a finer file too, and the lowest code are full scale."""
    assert [found.code for found in clipped([top(level)], INFO)] == ["clipped"]


@pytest.mark.parametrize("level", [1.0 - 2.0**-14, 1.5])
def test_other_levels_are_upstream(level: float) -> None:
    """A code lower, and above full scale in float, nothing ends by itself."""
    assert [found.code for found in clipped([top(level)], INFO)] == ["clipped_upstream"]


def test_channels_at_different_levels() -> None:
    """One channel at full scale and another below it are two findings."""
    found = clipped([top(), top(0.5, channel=1)], INFO)
    assert [(each.code, each.channels) for each in found] == [("clipped", (1,)), ("clipped_upstream", (2,))]


def test_place_as_a_person_reads_it() -> None:
    """A place is given in minutes and seconds."""
    (found,) = clipped([top(longest_start=48_000 * 125 + 24_000)], INFO)
    assert "worst at 2:05.5" in found.says


def test_not_more_places_than_can_be_read() -> None:
    """Of both sides together the first twenty places are listed."""
    upper = top(events=30, flat_events=30, starts=tuple(range(0, 2000, 100)))
    lower = top(-1.0, events=30, flat_events=30, starts=tuple(range(50, 2050, 100)))
    (found,) = clipped([upper, lower], INFO)
    assert (found.count, len(found.at_s)) == (60, 20)
    assert found.at_s == tuple(frame / 48_000 for frame in range(0, 1000, 50))


def test_square_waves_are_told_and_usable() -> None:
    """Tops that are stairs belong to the sound, at full scale too, and the sentence says so."""
    (found,) = clipped([top(stepped_events=4)], INFO)
    assert (found.code, found.verdict) == ("clipped", Verdict.USABLE)
    assert "square waves look like this" in found.says


def test_few_flat_samples_at_full_scale_are_to_be_listened_to() -> None:
    """One top of five samples is too little to be sure."""
    (found,) = clipped([top(events=1, frames=5, flat_events=1, flat_frames=5)], INFO)
    assert (found.code, found.verdict) == ("clipped", Verdict.LISTEN)
    assert found.says.endswith("too little to be sure, listen there.")


def test_peaks_of_one_sample_may_be_a_limiter() -> None:
    """Three peaks that end at one level could be a limiter's: listen, with that reason."""
    (found,) = clipped([sharp(3)], INFO)
    assert (found.code, found.verdict) == ("clipped_upstream", Verdict.LISTEN)
    assert "as clipping or a limiter leaves them" in found.says


def sharp(events: int, **changes: Any) -> FlatTop:
    """So many peaks of one sample at half of full scale, round and of different shape."""
    parts = {"events": events, "frames": events, "flat_events": 0, "flat_frames": 0, "short_events": events}
    parts["distinct_shapes"] = min(3, events)
    return top(0.5, **{**parts, "varied_events": events - 1, "curvature_linear": 0.05, "longest_frames": 1, **changes})


@pytest.mark.parametrize(("count", "frames", "found"), [(2, 7, 0), (3, 12, 1), (2, 8, 1)])
def test_runs_under_samples_beyond_full_scale(count: int, frames: int, found: int) -> None:
    """In a float file that passes full scale, runs at exactly full scale count from 3 of them or 8 samples on."""
    rails = RunSummary(count, frames, (0,), (0,), 48_000, 4)
    assert [each.code for each in clipped_below_overs(rails, INFO)] == ["clipped"] * found


def test_inter_sample_over() -> None:
    """A waveform that passes full scale between its samples is a fact, with its figure and place."""
    stem = levels(sample_peak_dbfs=-0.5, true_peak_dbtp=1.25, true_peak_at_s=2.0)
    (found,) = inter_sample_over(stem)
    assert (found.code, found.verdict, found.worst_at_s) == ("inter_sample_over", Verdict.USABLE, 2.0)
    assert found.measured == {"true_peak_dbtp": 1.25, "sample_peak_dbfs": -0.5}
    assert "+1.25 dBTP" in found.says


@pytest.mark.parametrize(("sample", "true"), [(-1.0, 0.0), (-1.0, 0.01), (0.5, 1.5), (None, None)])
def test_no_inter_sample_over(sample: float | None, true: float | None) -> None:
    """Nothing is told up to full scale and the meter's own error, nor where samples are over it themselves."""
    assert inter_sample_over(levels(sample_peak_dbfs=sample, true_peak_dbtp=true)) == []


def test_held_stretches_are_to_be_played_again() -> None:
    """Zeros inside sound are missing sound, with the longest stretch said in milliseconds."""
    held = (gap(48_000), gap(96_000, 240, channel=1))
    (found,) = dropout(Gaps(held_count=2, held_frames=340, held=held, longest=held[1]), [], INFO)
    assert (found.code, found.verdict, found.channels) == ("dropout", Verdict.PLAY_AGAIN, (1, 2))
    assert (found.count, found.at_s, found.worst_at_s) == (2, (1.0, 2.0), 2.0)
    assert found.total_s == pytest.approx(340 / 48_000)
    assert "zero for 5.0 ms at 0:02.0" in found.says


def test_stretches_at_a_flat_top_are_no_dropout() -> None:
    """What rests where the channel is clipped is told as clipped, once."""
    held = (gap(48_000, value=-1.0), gap(96_000, value=0.25))
    (found,) = dropout(Gaps(held_count=2, held_frames=200, held=held, longest=held[0]), [top(-1.0)], INFO)
    assert (found.count, found.at_s) == (1, (2.0,))
    assert found.total_s == pytest.approx(100 / 48_000)


def test_a_stretch_near_a_flat_top_is_a_dropout() -> None:
    """What was held a thousandth under a level where the channel is cut was not cut there."""
    held = (gap(48_000, value=0.4995),)
    (found,) = dropout(Gaps(held_count=1, held_frames=100, held=held, longest=held[0]), [top(0.5)], INFO)
    assert (found.code, found.count) == ("dropout", 1)


def test_jumps_are_to_be_listened_to() -> None:
    """A jump may be an edit: listen."""
    (found,) = dropout(Gaps(jump_count=1, jumps=(gap(48_000, 0, value=0.5),)), [], INFO)
    assert (found.code, found.verdict, found.worst_at_s) == ("dropout", Verdict.LISTEN, 1.0)
    assert found.measured == {"jump_linear": 0.5}


def test_a_role_may_bear_no_jumps() -> None:
    """With a limit of no jumps none is told."""
    jumps = Gaps(jump_count=1, jumps=(gap(48_000, 0, value=0.5),))
    assert dropout(jumps, [], INFO, DamageLimits(dropout_most_jumps=0)) == []


def test_nothing_is_missing() -> None:
    """No gap, no finding."""
    assert dropout(Gaps(), [], INFO) == []


def test_over_full_scale() -> None:
    """Float samples beyond full scale are still whole: listen, with the peak said."""
    (found,) = over_full_scale(runs((1, 4800, 4801)), stream(0, 2), levels(sample_peak_dbfs=2.34))
    assert (found.code, found.verdict, found.channels) == ("over_full_scale", Verdict.LISTEN, (2,))
    assert (found.count, found.at_s, found.worst_at_s) == (1, (0.1,), 0.1)
    assert found.measured == {"longest_frames": 1.0}
    assert "+2.3 dBFS" in found.says


def test_nothing_over_full_scale() -> None:
    """No sample beyond, no finding."""
    assert over_full_scale(NO_RUNS, stream(0), levels()) == []


def test_a_playing_stem_is_not_silent() -> None:
    """Where there is an average there is sound."""
    assert silent(levels()) == []


def test_digital_silence() -> None:
    """A file of zeros is usable, and asks whether it is the right track."""
    (found,) = silent(levels(average_dbfs=None, sample_peak_dbfs=None, sample_peak_at_s=None))
    assert (found.code, found.verdict, found.worst_at_s) == ("silent", Verdict.USABLE, None)
    assert found.says == "Digital silence and nothing else: the right track?"


def test_too_quiet() -> None:
    """Sound under the gate is told with its highest peak and the place of it."""
    (found,) = silent(levels(average_dbfs=None, sample_peak_dbfs=-75.25, sample_peak_at_s=2.0))
    assert (found.code, found.verdict, found.worst_at_s) == ("silent", Verdict.USABLE, 2.0)
    assert found.says.startswith("Too quiet to measure: its highest peak is -75.2 dBFS")
    assert found.measured == {"sample_peak_dbfs": -75.25}


@pytest.mark.parametrize(
    ("rule", "peak", "count"), [("leave", -1.0, 1), ("leave", -3.0, 0), ("leave", None, 0), ("average", -1.0, 0)]
)
def test_over_ceiling(rule: str, peak: float | None, count: int) -> None:
    """Only a stem that is left as it is can pass the ceiling, and it says so."""
    stem = levels(true_peak_dbtp=peak, true_peak_at_s=4.0, sample_peak_dbfs=peak)
    trim = decide_trim(stem, Target(rule=rule), lambda gain: -20.0 + gain)
    found = over_ceiling(stem, trim)
    assert len(found) == count
    for finding in found:
        assert (finding.code, finding.verdict, finding.worst_at_s) == ("over_ceiling", Verdict.USABLE, 4.0)
        assert "-1.0 dBTP, over the ceiling of -3 dBTP" in finding.says
        assert finding.measured == {"true_peak_dbtp": -1.0, "ceiling_dbtp": -3.0}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"average_dbfs": None, "sample_peak_dbfs": None}, "digital silence"),
        ({"average_dbfs": None, "sample_peak_dbfs": -71.6}, "its highest peak is -72 dBFS"),
        ({"average_dbfs": -40.0, "hum_dbfs": -40.5, "hum_hz": 50.0}, "only hum is there"),
    ],
)
def test_nothing_recorded(changes: dict[str, Any], words: str) -> None:
    """No block above the gate, or nothing but hum: most likely the wrong input is armed."""
    (found,) = nothing_recorded(levels(**changes))
    assert (found.code, found.verdict) == ("nothing_recorded", Verdict.PLAY_AGAIN)
    assert found.says == f"Nothing was recorded ({words}): is the right input armed?"


@pytest.mark.parametrize(("average", "hum"), [(-55.0, None), (-40.0, -41.1)])
def test_a_whisper_is_recorded(average: float, hum: float | None) -> None:
    """What rises above the gate was recorded, however quiet, and with hum under it."""
    assert nothing_recorded(levels(average_dbfs=average, hum_dbfs=hum, hum_hz=hum and 50.0)) == []


@pytest.mark.parametrize(("at_s", "places"), [(1.5, (1.5,)), (0.0, (0.0,)), (None, ())])
def test_corrupt(at_s: float | None, places: tuple[float, ...]) -> None:
    """A damaged file is to be played again, from its first bad place on, the very start included."""
    found = corrupt("Damaged.", at_s)
    assert (found.code, found.verdict) == ("corrupt", Verdict.PLAY_AGAIN)
    assert (found.at_s, found.worst_at_s, found.says) == (places, at_s, "Damaged.")


def test_allowed_is_usable() -> None:
    """What is deliberate in a project stays told, and no longer counts against a stem."""
    found = [corrupt("x", None), Finding(code="silent", verdict=Verdict.LISTEN, says="y")]
    one, other = allowed(found, frozenset({"corrupt", "hum"}))
    assert (one.verdict, one.says) == (Verdict.USABLE, "x")
    assert other == found[1]


def test_allowed_leaves_the_findings_given() -> None:
    """The findings that were handed in are not changed."""
    found = [corrupt("x", None)]
    allowed(found, frozenset({"corrupt"}))
    assert found[0].verdict is Verdict.PLAY_AGAIN


@pytest.mark.parametrize(
    ("frames", "rate_hz", "edge", "steps", "is_told"),
    [
        (16, 48_000, 0.02, (), True),
        (16, 48_000, 0.02, (2.0**-7,), False),
        (16, 48_000, 6.0 * 2.0**-7, (2.0**-7,), True),
        (28, 96_000, 0.02, (), False),
        (29, 96_000, 0.02, (), True),
    ],
)
def test_holds_count_in_time_and_in_steps(
    frames: int, rate_hz: int, edge: float, steps: tuple[float, ...], is_told: bool
) -> None:
    """A value held for 0.3 ms at any rate, and left by more than a few steps of sound once stored with 8 bits."""
    one = Gap(channel=0, start=1000, frames=frames, value_linear=0.25, edge_linear=edge)
    gaps = Gaps(held_count=1, held_frames=frames, held=(one,), longest=one)
    info = INFO.model_copy(update={"sample_rate_hz": rate_hz})
    assert bool(dropout(gaps, [], info, level_steps=steps)) is is_told


def place(start: int, channel: int = 0, frames: int = 0) -> Gap:
    return Gap(channel=channel, start=start, frames=frames, value_linear=0.0 if frames else 0.2)


def test_a_buffer_that_comes_twice() -> None:
    """Told once for both channels, with its length; the joins at its ends are no further clicks."""
    repeats = (place(48_000, 0, 256), place(48_000, 1, 256))
    gaps = Gaps(repeats=repeats, jump_count=2, jumps=(place(48_001), place(48_257, 1)))
    (found,) = dropout(gaps, (), INFO)
    assert (found.verdict, found.count, found.measured) == (Verdict.LISTEN, 1, {"repeated_frames": 256.0})
    assert found.says.startswith("256 samples come twice, once, at ")
