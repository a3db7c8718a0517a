"""Sample peak: the largest absolute sample, and where it is first reached."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.meters import Peaks, SamplePeakMeter
from tests.support.signals import Samples, cut, frames_of, sine_block, white_noise

EDGES = st.lists(st.integers(1, 199), max_size=20)


def peaks(*blocks: Samples) -> Peaks:
    meter = SamplePeakMeter(blocks[0].shape[1])
    for block in blocks:
        meter.update(block)
    return meter.result()


@settings(deadline=None)
@given(edges=EDGES, channels=st.integers(1, 3), seed=st.integers(0, 99))
def test_peak_against_numpy_in_any_cut(edges: list[int], channels: int, seed: int) -> None:
    """The peak and its first place are numpy's, however the blocks are cut, down to single frames."""
    samples = white_noise(200, channels, seed=seed)
    found = peaks(*cut(samples, edges))
    assert found.linear == tuple(np.abs(samples).max(axis=0))
    assert found.at_frames == tuple(np.abs(samples).argmax(axis=0))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_either_sign_counts(sign: float) -> None:
    """A trough is a peak."""
    assert peaks(frames_of([0.1, sign * 0.9, 0.2])) == Peaks((0.9,), (1.0,))


def test_first_of_equal_peaks() -> None:
    """Of two equal peaks the place is the first one's, in another block too."""
    assert peaks(frames_of([0.0, 0.5]), frames_of([-0.5, 0.5])).at_frames == (1.0,)


def test_silence_has_no_peak() -> None:
    """Of silence the peak is 0, and no level."""
    assert peaks(np.zeros((10, 2))) == Peaks((0.0, 0.0), (0.0, 0.0))


def test_channels_are_apart() -> None:
    """Swapping the channels swaps the peaks, and nothing else."""
    samples = white_noise(500, 2)
    one, other = peaks(samples), peaks(samples[:, ::-1].copy())
    assert (one.linear, one.at_frames) == (other.linear[::-1], other.at_frames[::-1])


def test_full_scale_sine() -> None:
    """A sine whose crest falls on a sample reads its peak: 0 dBFS at 1.0 (AES17)."""
    assert peaks(sine_block(12_000.0, 0.01)).linear[0] == pytest.approx(1.0, abs=1e-12)
