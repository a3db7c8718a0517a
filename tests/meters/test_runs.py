"""Runs of samples between two values, against a plain loop."""

import itertools
from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.meters import RunMeter
from stager.model.runs import Runs
from tests.making import Samples, cut, frames_of

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
