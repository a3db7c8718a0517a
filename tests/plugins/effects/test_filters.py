"""The high-pass against scipy's Butterworth: samples, magnitude, phase, and any cut of the blocks."""

import numpy as np
import pytest
from scipy import signal

from stager.plugins import Stream
from stager.plugins.effects.filters import HighPass, high_pass_coefficients
from stager.plugins.effects.settings import HighPassSettings
from tests.plugins.driving import AWKWARD, driven, sizes_cut
from tests.support.signals import white_noise

CASES = [(40.0, 44_100), (60.0, 48_000), (120.0, 48_000), (1_000.0, 48_000), (20.0, 192_000), (12_000.0, 48_000)]


@pytest.mark.parametrize(("cutoff_hz", "rate_hz"), CASES)
def test_coefficients_are_those_of_a_butterworth_filter(cutoff_hz: float, rate_hz: int) -> None:
    """Second order, bilinear transform, prewarped: scipy.signal.butter gives the same to 1e-9."""
    b0, b1, b2, a1, a2 = high_pass_coefficients(cutoff_hz / rate_hz)
    b, a = signal.butter(2, cutoff_hz, "highpass", fs=rate_hz)
    assert np.abs(np.array([b0, b1, b2]) - b).max() < 1e-9
    assert np.abs(np.array([1.0, a1, a2]) - a).max() < 1e-9


@pytest.mark.parametrize(("cutoff_hz", "rate_hz"), CASES)
def test_samples_are_those_of_scipy(cutoff_hz: float, rate_hz: int) -> None:
    """Noise through the step differs from scipy.signal.sosfilt by less than 1e-9 of full scale."""
    block = white_noise(20_000, 2, seed=5, rms=0.2)
    sections = signal.butter(2, cutoff_hz, "highpass", fs=rate_hz, output="sos")
    found = driven(HighPass, block, [block], rate_hz, cutoff_hz=cutoff_hz)
    assert np.abs(found - signal.sosfilt(sections, block, axis=0)).max() < 1e-9


@pytest.mark.parametrize("frames", AWKWARD)
def test_any_cut_of_the_blocks_gives_the_same(frames: int) -> None:
    """Its state goes from block to block: blocks of 1, 2 or a prime of frames equal the whole file."""
    block = white_noise(5_003, 2, seed=6)
    whole = driven(HighPass, block, [block], cutoff_hz=60.0)
    assert np.abs(driven(HighPass, block, sizes_cut(block, frames), cutoff_hz=60.0) - whole).max() < 1e-6


def test_magnitude_and_phase_at_the_cutoff_and_an_octave_below() -> None:
    """Of order 2, Butterworth: 3.01 dB down and 90 degrees ahead at its cutoff, 12.3 dB down an octave below.

    Source: |H|^2 = 1 / (1 + (fc/f)^4); the response is taken from its impulse by a Fourier transform.
    """
    rate_hz, frames = 48_000, 1 << 16
    impulse = np.zeros((frames, 1))
    impulse[0] = 1.0
    spectrum = np.fft.rfft(driven(HighPass, impulse, [impulse], rate_hz, cutoff_hz=750.0)[:, 0])
    at = round(750.0 * frames / rate_hz)
    assert abs(20 * np.log10(abs(spectrum[at])) + 3.0103) < 0.001
    assert abs(np.degrees(np.angle(spectrum[at])) - 90.0) < 0.1
    assert abs(20 * np.log10(abs(spectrum[at // 2])) + 10 * np.log10(1 + 2.0**4)) < 0.02
    assert abs(20 * np.log10(abs(spectrum[at * 8]))) < 0.002


def test_a_cutoff_near_half_the_rate_is_refused() -> None:
    """A high-pass that leaves nothing is a slip."""
    with pytest.raises(ValueError, match="expected a cutoff of at most 3600 Hz at this rate, found 4000 Hz"):
        HighPass(HighPassSettings(cutoff_hz=4_000.0), Stream(8_000, 1, 10))


@pytest.mark.parametrize("cutoff_hz", [0.0, -1.0, float("nan"), float("inf")])
def test_a_cutoff_that_is_none_is_refused(cutoff_hz: float) -> None:
    """The settings take a frequency above 0 alone."""
    with pytest.raises(ValueError, match="cutoff_hz"):
        HighPassSettings(cutoff_hz=cutoff_hz)
