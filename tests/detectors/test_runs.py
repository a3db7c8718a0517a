"""Runs of samples between two values, one by one and summed up, against a plain loop."""

import itertools
import pickle
from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.runs import MOST_STARTS, RunMeter, RunSummaryMeter
from stager.model.run_summary import NO_RUNS, RunSummary
from stager.model.runs import Runs
from tests.support.signals import Samples, cut, frames_of

Run = tuple[int, int, int]

VALUES = st.lists(st.sampled_from([0.0, -0.0, 0.5, 1.0, -1.0, 2.0]), min_size=2, max_size=120)


def found(low: float, high: float, shortest: int, *blocks: Samples) -> list[Run]:
    meter = RunMeter(blocks[0].shape[1], low, high, shortest)
    for block in blocks:
        meter.update(block)
    runs = meter.result()
    return listed(runs)


def listed(runs: Runs) -> list[Run]:
    return list(zip(runs.channels.tolist(), runs.starts.tolist(), runs.stops.tolist(), strict=True))


def plain(samples: Samples, low: float, high: float, shortest: int) -> list[Run]:
    """The definition, one sample after the other."""
    runs = []
    for channel, column in enumerate(samples.T.tolist()):
        for inside, group in itertools.groupby(enumerate(column), key=lambda pair: low <= pair[1] <= high):
            frames = [frame for frame, _ in group]
            if inside and len(frames) >= shortest:
                runs.append((channel, frames[0], frames[-1] + 1))
    return runs


@settings(deadline=None, max_examples=200)
@given(
    values=VALUES,
    channels=st.integers(1, 2),
    edges=st.lists(st.integers(1, 119), max_size=30),
    limits=st.sampled_from([(0.0, 0.0), (1.0, inf), (-inf, -1.0), (0.5, 1.0)]),
    shortest=st.integers(1, 5),
)
def test_runs_against_a_plain_loop(
    values: list[float], channels: int, edges: list[int], limits: tuple[float, float], shortest: int
) -> None:
    """Every run of the definition is found once, whole, however the blocks are cut, down to single frames."""
    frames = len(values) // channels
    samples = frames_of(np.array(values[: frames * channels]).reshape(frames, channels))
    runs = found(*limits, shortest, *cut(samples, edges))
    assert sorted(runs) == sorted(plain(samples, *limits, shortest))


def test_in_order_of_their_end() -> None:
    """Within one channel runs come in the order in which they end."""
    runs = found(0.0, 0.0, 2, frames_of([0, 0, 1, 0, 0, 0, 1, 0, 0]))
    assert runs == [(0, 0, 2), (0, 3, 6), (0, 7, 9)]


def test_run_that_lasts_to_the_end() -> None:
    """What is still running at the end counts, over blocks too."""
    assert found(0.0, 0.0, 4, frames_of([1, 0, 0]), frames_of([0, 0])) == [(0, 1, 5)]


@pytest.mark.parametrize(("frames", "count"), [(3, 0), (4, 1), (5, 1)])
def test_shortest_run(frames: int, count: int) -> None:
    """A run counts from its shortest length on, that length included."""
    samples = frames_of([0.0, *[1.0] * frames, 0.0])
    assert len(found(1.0, inf, 4, samples)) == count


def test_asking_twice_gives_the_same() -> None:
    """A result may be asked for in the middle, and feeding goes on."""
    meter = RunMeter(1, 0.0, 0.0, 2)
    meter.update(frames_of([0, 0, 0]))
    assert listed(meter.result()) == listed(meter.result()) == [(0, 0, 3)]
    meter.update(frames_of([0, 1]))
    assert listed(meter.result()) == [(0, 0, 4)]


def test_nan_is_in_no_run() -> None:
    """What is no number lies between no two values."""
    assert found(-inf, inf, 1, frames_of([0.0, np.nan, 0.0])) == [(0, 0, 1), (0, 2, 3)]


def test_taken_runs_are_forgotten() -> None:
    """What was taken is not given again, and a run that lasts is given once it has ended, whole."""
    meter = RunMeter(1, 0.0, 0.0, 2)
    meter.update(frames_of([0, 0, 1, 0, 0]))
    assert listed(meter.taken()) == [(0, 0, 2)]
    assert listed(meter.taken()) == []
    meter.update(frames_of([0, 1]))
    assert listed(meter.result()) == listed(meter.taken()) == [(0, 3, 6)]


Ranges = tuple[tuple[float, float], ...]

TOPS: Ranges = ((1.0, inf), (-inf, -1.0))


def summed(ranges: Ranges, shortest: int, *blocks: Samples) -> RunSummary:
    meter = RunSummaryMeter(blocks[0].shape[1], ranges, shortest)
    for block in blocks:
        meter.update(block)
    return meter.result()


def plain_sum(samples: Samples, ranges: Ranges, shortest: int) -> RunSummary:
    """The definition: every run of every range, counted, and the longest of them; of equals the earliest."""
    runs = [run for limits in ranges for run in plain(samples, *limits, shortest)]
    if not runs:
        return NO_RUNS
    longest = max(stop - start for _, start, stop in runs)
    return RunSummary(
        count=len(runs),
        total_frames=sum(stop - start for _, start, stop in runs),
        channels=tuple(sorted({channel for channel, _, _ in runs})),
        starts=tuple(sorted(start for _, start, _ in runs)[:MOST_STARTS]),
        longest_start=min(start for _, start, stop in runs if stop - start == longest),
        longest_frames=longest,
    )


@settings(deadline=None, max_examples=300)
@given(
    values=VALUES,
    channels=st.integers(1, 3),
    edges=st.lists(st.integers(1, 119), max_size=30),
    ranges=st.sampled_from([TOPS, TOPS[::-1], TOPS[:1], ((0.5, 0.5), (2.0, 2.0)), ()]),
    shortest=st.integers(1, 4),
)
def test_sum_against_a_plain_loop(
    values: list[float], channels: int, edges: list[int], ranges: Ranges, shortest: int
) -> None:
    """Count, length, channels, places and the longest are those of the definition, however the blocks are cut."""
    frames = len(values) // channels or 1
    samples = frames_of(np.resize(np.array(values), (frames, channels)))
    assert summed(ranges, shortest, *cut(samples, edges)) == plain_sum(samples, ranges, shortest)


@pytest.mark.parametrize("edges", [(), (5,), (9,), tuple(range(1, 20))], ids=["whole", "between", "inside", "frames"])
@pytest.mark.parametrize("later", [0, 1], ids=["later in the first channel", "later in the second channel"])
def test_of_equals_the_earliest(later: int, edges: tuple[int, ...]) -> None:
    """Of two longest runs the earlier one is named, whichever channel it is in, and however the blocks are cut."""
    samples = np.zeros((20, 2))
    samples[8:11, later], samples[2:5, 1 - later] = 1.0, 1.0
    assert summed(TOPS, 1, *cut(samples, edges)) == RunSummary(2, 6, (0, 1), (2, 8), 2, 3)


@pytest.mark.parametrize("ranges", [TOPS, TOPS[::-1]], ids=["top first", "bottom first"])
def test_two_ranges_are_one_sum(ranges: Ranges) -> None:
    """Runs of two ranges that touch stay two, and of equals the earlier counts, whichever range is named first."""
    found = summed(ranges, 1, frames_of([0, -1, -1, 1, 1, 0, -1]))
    assert found == RunSummary(3, 5, (0,), (1, 3, 6), 1, 2)


def test_longest_run_may_last_to_the_end() -> None:
    """A run that is still open counts when asked, again when asked again, and only once when it has ended."""
    meter = RunSummaryMeter(1, TOPS, 1)
    meter.update(frames_of([1, 0, 1, 1]))
    assert meter.result() == meter.result() == RunSummary(2, 3, (0,), (0, 2), 2, 2)
    meter.update(frames_of([1, 0]))
    assert meter.result() == RunSummary(2, 4, (0,), (0, 2), 2, 3)


@pytest.mark.parametrize("count", [MOST_STARTS - 1, MOST_STARTS, MOST_STARTS + 1, 3 * MOST_STARTS])
def test_so_many_places_and_no_more(count: int) -> None:
    """The first twenty places are listed, across blocks and channels, and all runs are counted."""
    samples = np.zeros((4 * count, 2))
    for run in range(count):
        samples[4 * run + 1, run % 2] = 1.0
    found = summed(TOPS, 1, *cut(samples, range(7, 4 * count, 7)))
    assert (MOST_STARTS, found.count, found.total_frames) == (20, count, count)
    assert found.starts == tuple(4 * run + 1 for run in range(count))[:20]


def test_nothing_summed_up() -> None:
    """Without a run, or without a block, the sum is the empty one."""
    assert RunSummaryMeter(2, TOPS, 1).result() == summed(TOPS, 2, frames_of([0, 1, 0])) == NO_RUNS


def test_millions_of_runs_take_no_room() -> None:
    """After four million single overs a meter holds no more than after forty, and has counted every one."""
    meter, block = RunSummaryMeter(2, TOPS, 1), np.zeros((1 << 16, 2))
    block[::2, 0], block[1::2, 1] = 1.5, -1.5
    meter.update(block[:40])
    before = len(pickle.dumps(meter))
    for _ in range(61):
        meter.update(block)
    assert len(pickle.dumps(meter)) < before + 64
    found = meter.result()
    assert found == RunSummary(40 + 61 * (1 << 16), found.count, (0, 1), tuple(range(20)), 0, 1)
