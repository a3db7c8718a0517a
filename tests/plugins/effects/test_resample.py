"""The step to another rate against the waveform itself, against scipy, and for any cut of the blocks."""

import numpy as np
import pytest
from scipy import signal

from stager.plugins.effects.resample import Resample, resampled_frames
from stager.plugins.effects.settings import ResampleSettings
from tests.plugins.driving import AWKWARD, driven, sizes_cut
from tests.support.signals import sine_block, white_noise

RATES = [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (48_000, 96_000), (44_100, 96_000), (192_000, 44_100)]


@pytest.mark.parametrize(("before", "after"), RATES)
@pytest.mark.parametrize("hz", [50.0, 997.0, 15_000.0])
def test_a_sine_is_the_same_sine_at_the_other_rate(before: int, after: int, hz: float) -> None:
    """Away from its ends: magnitude within 0.0001 dB, phase within a millionth of a radian, and all else under -150 dB.

    The sine at the new rate is fitted by least squares to its sine and cosine part, whose values the formula gives.
    """
    tone = sine_block(hz, 1.0, rate_hz=before, peak=0.5, phase=0.3)
    found = driven(Resample, tone, sizes_cut(tone, 4_001), before, rate_hz=after)
    assert len(found) == after
    inner = slice(after // 5, -after // 5)
    at = 2 * np.pi * hz * np.arange(after)[inner] / after
    parts = np.stack((np.sin(at), np.cos(at)), axis=1)
    fitted, *_ = np.linalg.lstsq(parts, found[inner, 0], rcond=None)
    assert abs(20 * np.log10(np.hypot(*fitted) / 0.5)) < 0.0001
    assert abs(np.arctan2(fitted[1], fitted[0]) - 0.3) < 1e-6
    assert np.abs(found[inner, 0] - parts @ fitted).max() < 0.5 * 10 ** (-150 / 20)


@pytest.mark.parametrize("hz", [23_000.0, 30_000.0, 45_000.0])
def test_what_the_lower_rate_cannot_hold_is_gone(hz: float) -> None:
    """A tone above half of the new rate leaves less than -140 dB behind, and no mirror image."""
    tone = sine_block(hz, 1.0, rate_hz=96_000, peak=0.5)
    found = driven(Resample, tone, [tone], 96_000, rate_hz=44_100)
    assert np.abs(found[9_000:-9_000]).max() < 10 ** (-140 / 20)


def test_a_band_that_both_rates_hold_agrees_with_scipy() -> None:
    """Noise under 8 kHz at twice the rate: the Fourier method, exact for what repeats, agrees away from the ends."""
    spectrum = np.zeros(24_001, complex)
    rng = np.random.default_rng(12)
    spectrum[1:8_000] = rng.normal(size=7_999) + 1j * rng.normal(size=7_999)
    block = np.fft.irfft(spectrum, 48_000).reshape(-1, 1)
    block *= 0.5 / np.abs(block).max()
    found = driven(Resample, block, [block], 48_000, rate_hz=96_000)
    wanted = signal.resample(block, 96_000, axis=0)
    assert np.abs(found - wanted)[9_600:-9_600].max() < 1e-6


@pytest.mark.parametrize(("before", "after"), RATES)
@pytest.mark.parametrize("frames", AWKWARD)
def test_any_cut_of_the_blocks_gives_the_same(before: int, after: int, frames: int) -> None:
    """Blocks of 1, 2 or a prime of frames equal the whole file to 1e-6, and so does the count of frames."""
    block = white_noise(3_001, 2, seed=13)
    whole = driven(Resample, block, [block], before, rate_hz=after)
    parts = driven(Resample, block, sizes_cut(block, frames), before, rate_hz=after)
    assert parts.shape == whole.shape == (resampled_frames(3_001, before, after), 2)
    assert np.abs(parts - whole).max() < 1e-6


@pytest.mark.parametrize(("before", "after"), RATES)
@pytest.mark.parametrize("frames", [1, 2, 3, 1_001, 99_991])
def test_the_length_is_the_exact_ratio(before: int, after: int, frames: int) -> None:
    """As many seconds as before, to the nearest frame."""
    assert abs(resampled_frames(frames, before, after) - frames * after / before) <= 0.5


@pytest.mark.parametrize(("before", "after"), [(44_100, 48_000), (48_000, 44_100)])
def test_even_one_frame_keeps_its_promise(before: int, after: int) -> None:
    """The shortest stem comes out as long as it was promised."""
    block = np.array([[0.5]])
    assert len(driven(Resample, block, [block], before, rate_hz=after)) == 1


def test_the_same_rate_changes_nothing() -> None:
    """A stem that has the rate already passes to the bit."""
    block = white_noise(500, 2)
    assert np.array_equal(driven(Resample, block, [block], 48_000, rate_hz=48_000), block)


@pytest.mark.parametrize("rate_hz", [0, 7_999, 384_001])
def test_a_rate_out_of_range_is_refused(rate_hz: int) -> None:
    """From 8 to 384 kHz."""
    with pytest.raises(ValueError, match="rate_hz"):
        ResampleSettings(rate_hz=rate_hz)
