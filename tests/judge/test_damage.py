"""Findings of damage and of silence, from runs and levels alone."""

import pytest

from stager.judge import allowed, clipped, corrupt, decide_trim, over_ceiling, over_full_scale, silent
from stager.model import Finding, Target, Verdict
from stager.model.runs import NO_RUNS, RunSummary
from tests.making import levels, stream

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


def test_nothing_is_clipped_without_a_run() -> None:
    """No flat top, no finding."""
    assert clipped(NO_RUNS, INFO) == []


def test_clipped() -> None:
    """Flat tops are counted, placed, and the longest is the one to listen to."""
    (found,) = clipped(runs((0, 48_000, 48_004), (1, 96_000, 96_012), (0, 144_000, 144_005)), INFO)
    assert (found.code, found.verdict) == ("clipped", Verdict.PLAY_AGAIN)
    assert (found.channels, found.count) == ((1, 2), 3)
    assert (found.at_s, found.worst_at_s) == ((1.0, 2.0, 3.0), 2.0)
    assert found.total_s == pytest.approx(21 / 48_000)
    assert found.measured == {"longest_frames": 12.0}


@pytest.mark.parametrize(("starts", "times"), [([0], "once"), ([0, 100], "2 times")])
def test_clipped_sentence(starts: list[int], times: str) -> None:
    """The sentence says how often, where the worst is, and what to do."""
    (found,) = clipped(runs(*((0, start, start + 4) for start in starts)), INFO)
    assert found.says.startswith(f"Clipped {times}, cut flat at full scale, worst at 0:00.0")
    assert found.says.endswith("turn the input down and play it again.")


def test_place_as_a_person_reads_it() -> None:
    """A place is given in minutes and seconds."""
    (found,) = clipped(runs((0, 48_000 * 125 + 24_000, 48_000 * 125 + 24_010)), INFO)
    assert "worst at 2:05.5" in found.says


def test_not_more_places_than_can_be_read() -> None:
    """All events are counted and added up, the first twenty listed, and the worst is named though it is not of them."""
    (found,) = clipped(runs(*((0, 100 * k, 100 * k + 4 + (k == 49)) for k in range(50))), INFO)
    assert (found.count, found.total_s) == (50, 201 / 48_000)
    assert found.at_s == tuple(100 * k / 48_000 for k in range(20))
    assert found.worst_at_s == 4900 / 48_000


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
