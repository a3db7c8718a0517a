"""Padded bits against whole-number arithmetic in Python, one sample after the other."""

from math import inf, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.unused_bits import UnusedBitsMeter
from stager.model import Encoding, StreamInfo
from tests.support.records import stream
from tests.support.signals import Samples, cut, frames_of, white_noise

PCM_20_IN_24 = StreamInfo(
    container="WAVEX", encoding=Encoding.PCM_24, valid_bits=20, sample_rate_hz=48_000, channels=1, frames=0
)


def used_bits(info: StreamInfo, *blocks: Samples) -> int | None:
    """What the meter finds in these blocks."""
    meter = UnusedBitsMeter(info)
    for block in blocks:
        meter.update(block)
    return meter.result()


def on_grid(bits: int, *, frames: int = 5000, channels: int = 1, seed: int = 3) -> Samples:
    """Noise rounded to the codes of so many bits."""
    scale = 2.0 ** (bits - 1)
    return np.rint(white_noise(frames, channels, seed=seed) * scale) / scale


@pytest.mark.parametrize("bits", [16, 18, 20, 23, 24])
@pytest.mark.parametrize("info", [stream(24, 2), stream(32, 2), stream(0, 2)], ids=["24", "32", "float"])
def test_grid_of_noise(info: StreamInfo, bits: int) -> None:
    """Noise on a grid of n bits, in a file that holds more or as many, uses n bits."""
    assert used_bits(info, on_grid(bits, channels=2)) == bits


@pytest.mark.parametrize(("info", "bits"), [(stream(16), 16), (stream(24), 24), (stream(32), 32)])
def test_full_depth(info: StreamInfo, bits: int) -> None:
    """A file that uses its lowest bit is not padded, be it once and at its very end."""
    quiet = np.zeros((4000, 1))
    quiet[-1] = 2.0 ** (1 - bits)
    assert used_bits(info, on_grid(12), quiet) == bits


def test_one_odd_sample_is_found_in_either_channel() -> None:
    """A single sample off the coarse grid, in the last frame of the second channel, makes the difference."""
    samples = on_grid(16, channels=2)
    samples[-1, 1] += 2.0**-23
    assert used_bits(stream(24, 2), *cut(samples, [1, 2, 777])) == 24


@pytest.mark.parametrize("bits", [8, 16, 24, 31])
def test_extremes_of_the_codes(bits: int) -> None:
    """The most negative code is a lone high bit, the most positive one sets all: both are counted right."""
    low, high = frames_of([-1.0]), frames_of([1.0 - 2.0 ** (1 - bits)])
    assert used_bits(stream(32), low) == 1
    assert used_bits(stream(32), high) == bits


def test_silence_uses_no_bits() -> None:
    """Digital silence lies on every grid, so it says nothing."""
    assert used_bits(stream(24), np.zeros((1000, 1))) is None


@pytest.mark.parametrize("value", [1 / 3, 1e-12, 2.5, -3.0, nan, inf])
def test_float_without_a_grid(value: float) -> None:
    """A float sample that is no whole number of steps, or is beyond them, ends the search for good."""
    assert used_bits(stream(0), frames_of([0.5, value]), frames_of([0.5])) is None


def test_float_at_full_scale() -> None:
    """Full scale itself is a code in a float file."""
    assert used_bits(stream(0), frames_of([1.0, -1.0, 1.5, 2.0**-15])) == 16


def test_fewer_valid_bits_than_the_file_stores() -> None:
    """Bits are counted from the top of the container: 20 valid ones in 24 that are all used are 20."""
    assert used_bits(PCM_20_IN_24, on_grid(20)) == 20
    assert used_bits(PCM_20_IN_24, on_grid(16)) == 16


@settings(deadline=None, max_examples=100)
@given(
    codes=st.lists(st.integers(-(2**23), 2**23 - 1), min_size=2, max_size=60),
    shift=st.integers(0, 20),
    edges=st.lists(st.integers(1, 59), max_size=10),
)
def test_any_codes_against_whole_numbers(codes: list[int], shift: int, edges: list[int]) -> None:
    """The coarsest grid is that of the greatest common power of two, whatever the codes and however they are cut."""
    shifted = [(code >> shift) << shift for code in codes]
    powers = [(abs(code) & -abs(code)).bit_length() - 1 for code in shifted if code]
    expected = 24 - min(powers) if powers else None
    samples = frames_of([code / 2**23 for code in shifted])
    assert used_bits(stream(24), *cut(samples, edges)) == expected
    assert used_bits(stream(0), *cut(samples, edges)) == expected
