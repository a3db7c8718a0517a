"""The step of sound that was once stored with 8 bits, against the step it was stored with."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.level_step import LevelStepMeter
from tests.support.records import stream
from tests.support.signals import Samples, cut, sine_block, white_noise
from tests.support.wavefile import quantised


def steps_of(samples: Samples, bits: int, used_bits: int | None = None, edges: tuple[int, ...] = ()) -> Samples:
    meter = LevelStepMeter(stream(bits, samples.shape[1], len(samples)))
    for block in cut(samples, edges):
        meter.update(block)
    return np.array(meter.result(used_bits))


def on_grid(samples: Samples, bits: int) -> Samples:
    return quantised(samples, bits) / 2.0 ** (bits - 1)


@pytest.mark.parametrize("gain", [1.0, 0.8317, 0.25, 0.1234, 0.05])
@pytest.mark.parametrize("bits", [16, 24])
def test_eight_bits_after_a_gain(bits: int, gain: float) -> None:
    """The step is 2^-7 times the gain, to the rounding of the file over the number of levels."""
    stored = on_grid(sine_block(233.0, 1.0, peak=0.9), 8)
    assert steps_of(on_grid(gain * stored, bits), bits)[0] == pytest.approx(gain * 2.0**-7, rel=0.01)


def test_each_channel_has_its_own() -> None:
    """One side of 8 bits and one of 16: only the first has a coarse step."""
    both = np.hstack((on_grid(sine_block(233.0, 1.0, peak=0.9), 8), on_grid(sine_block(234.0, 1.0, peak=0.9), 16)))
    assert steps_of(both, 16).tolist() == pytest.approx([2.0**-7, 0.0], rel=0.001)


def test_the_grid_of_the_file_counts_too() -> None:
    """Twelve bits have too many levels to be collected; the bits that the file uses tell them."""
    stored = on_grid(white_noise(48_000), 12)
    assert steps_of(stored, 16, used_bits=12).tolist() == [2.0**-11]
    assert steps_of(on_grid(white_noise(48_000), 16), 16, used_bits=16).tolist() == [0.0]


def test_what_has_no_coarse_grid() -> None:
    """Sixteen bits, quiet noise of 16 bits, a square wave and silence have no step."""
    quiet = on_grid(white_noise(48_000, rms=0.001), 16)
    square = 0.5 * np.sign(sine_block(100.0, 1.0))
    for samples in (on_grid(sine_block(233.0, 1.0, peak=0.9), 16), quiet, square, np.zeros((4800, 1))):
        assert steps_of(samples, 16).tolist() == [0.0]


@settings(max_examples=30, deadline=None)
@given(edges=st.lists(st.integers(0, 24_000), max_size=6).map(sorted).map(tuple))
def test_any_cut_of_the_blocks_gives_the_same(edges: tuple[int, ...]) -> None:
    """Blocks of any length, empty ones included, change nothing."""
    samples = on_grid(0.83 * on_grid(sine_block(233.0, 0.5, peak=0.9), 8), 16)
    assert steps_of(samples, 16, edges=edges).tolist() == steps_of(samples, 16).tolist()
