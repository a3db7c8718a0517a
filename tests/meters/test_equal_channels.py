"""Which channels are equal: to the last bit, to the last frame, however the blocks are cut."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.meters import EqualChannelsMeter
from tests.support.signals import Samples, cut, white_noise


def equal(*blocks: Samples) -> tuple[int, ...]:
    meter = EqualChannelsMeter(blocks[0].shape[1])
    for block in blocks:
        meter.update(block)
    return meter.result()


@settings(deadline=None, max_examples=100)
@given(
    sources=st.lists(st.integers(0, 3), min_size=1, max_size=8),
    edges=st.lists(st.integers(1, 499), max_size=5),
)
def test_each_channel_names_the_first_like_it(sources: list[int], edges: list[int]) -> None:
    """Channels made of the same source name the first of them, for any order and any cut."""
    samples = white_noise(500, 4)[:, sources]
    assert equal(*cut(samples, edges)) == tuple(sources.index(source) for source in sources)


@pytest.mark.parametrize("at", [0, 1, 250, 499])
def test_one_other_sample_makes_two_channels(at: int) -> None:
    """A single sample that differs in its last bit makes the channels different."""
    samples = np.repeat(white_noise(500, 1), 2, axis=1)
    assert equal(*cut(samples, [100])) == (0, 0)
    samples[at, 1] = np.nextafter(samples[at, 1], 2.0)
    assert equal(*cut(samples, [100])) == (0, 1)
