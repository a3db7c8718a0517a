"""The picture of a file: smallest and largest sample of each stretch, against numpy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.meters import Overview, OverviewMeter
from stager.meters.overview import MAX_PAIRS
from tests.support.signals import Samples, cut, white_noise


def overview(samples: Samples, edges: list[int]) -> Overview:
    meter = OverviewMeter(samples.shape[1], len(samples))
    for part in cut(samples, edges):
        meter.update(part)
    return meter.result()


@settings(deadline=None, max_examples=60)
@given(
    frames=st.integers(1, 4500),
    channels=st.integers(1, 3),
    edges=st.lists(st.integers(1, 4499), max_size=12),
    offset=st.sampled_from([0.0, 0.5, -0.5]),
)
def test_pairs_against_numpy(frames: int, channels: int, edges: list[int], offset: float) -> None:
    """Each pair is the smallest and largest sample of its stretch, however the blocks are cut."""
    samples = white_noise(frames, channels) * 0.1 + offset
    found = overview(samples, edges)
    starts = np.arange(0, frames, found.stretch_frames)
    expected = np.stack((np.minimum.reduceat(samples, starts), np.maximum.reduceat(samples, starts)), axis=-1)
    assert np.array_equal(found.pairs, expected.swapaxes(0, 1))


@pytest.mark.parametrize(
    ("frames", "stretch", "pairs"),
    [(1, 1, 1), (999, 1, 999), (1000, 1, 1000), (1001, 2, 501), (10_000_000, 10_000, 1000)],
)
def test_at_most_a_thousand_pairs(frames: int, stretch: int, pairs: int) -> None:
    """A file of any length has at most 1,000 stretches, all but the last equally long (worked arithmetic)."""
    found = OverviewMeter(1, frames).result()
    assert (found.stretch_frames, found.pairs.shape) == (stretch, (1, pairs, 2))
    assert pairs <= MAX_PAIRS


def test_single_frames() -> None:
    """Fed one frame at a time, the picture is the same."""
    samples = white_noise(2500, 2)
    assert np.array_equal(overview(samples, list(range(2500))).pairs, overview(samples, []).pairs)


def test_result_is_a_copy() -> None:
    """A picture that was asked for does not change when more is fed."""
    meter = OverviewMeter(1, 2)
    before = meter.result()
    meter.update(white_noise(2))
    assert not before.pairs.any()
