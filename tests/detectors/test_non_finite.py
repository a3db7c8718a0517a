"""Samples that are no numbers are counted, placed, and taken out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.non_finite import LARGEST_LINEAR, FiniteMeter
from tests.support.signals import cut, frames_of, white_noise

BAD = {
    "NaN": np.nan,
    "infinity": np.inf,
    "minus infinity": -np.inf,
    "beyond any level": 2e18,
    "beyond any level, negative": -2e18,
}


@pytest.mark.parametrize("value", BAD.values(), ids=BAD.keys())
def test_bad_sample_is_found_and_taken_out(value: float) -> None:
    """A sample that is no number is counted, its frame is remembered, and the other meters see 0."""
    meter, block = FiniteMeter(), frames_of([[0.1, 0.2], [0.3, value], [0.5, 0.6]])
    meter.update(block)
    assert (meter.count, meter.first_frame) == (1, 1)
    assert block.tolist() == [[0.1, 0.2], [0.3, 0.0], [0.5, 0.6]]


@pytest.mark.parametrize("value", [0.0, -0.0, 1.0, 1e-310, LARGEST_LINEAR, -LARGEST_LINEAR])
def test_numbers_are_left_alone(value: float) -> None:
    """Any number up to the limit passes, denormals included."""
    meter, block = FiniteMeter(), frames_of([value])
    meter.update(block)
    assert (meter.count, meter.first_frame) == (0, None)
    assert block.item() == value


@settings(deadline=None)
@given(
    edges=st.lists(st.integers(1, 99), max_size=9),
    places=st.sets(st.tuples(st.integers(0, 99), st.integers(0, 1)), max_size=12),
)
def test_any_cut_finds_the_same(edges: list[int], places: set[tuple[int, int]]) -> None:
    """However the blocks are cut, every bad sample is counted once, and the first is the first."""
    samples = white_noise(100, 2)
    for place in places:
        samples[place] = np.nan
    meter, parts = FiniteMeter(), cut(samples, edges)
    for part in parts:
        meter.update(part)
    assert meter.count == len(places)
    assert meter.first_frame == min((frame for frame, _ in places), default=None)
    assert np.isfinite(np.concatenate(parts)).all()
