"""The first and last moments: worked cases."""

import numpy as np
import pytest

from stager.analysis.mix.ends import EndsMeter
from stager.model.mix import EndsFigure
from tests.support.signals import RATE, Samples, cut, frames_of, sine_block, white_noise


def ends(samples: Samples, *edges: int) -> EndsFigure:
    """The figure of these samples, cut at these frames."""
    meter = EndsMeter(samples.shape[1], RATE)
    for block in cut(samples, edges) if edges else [samples]:
        meter.update(block)
    return meter.result()


def padded(samples: Samples, before_s: float, after_s: float) -> Samples:
    """Digital silence, the samples, digital silence."""
    before, after = (np.zeros((round(seconds * RATE), samples.shape[1])) for seconds in (before_s, after_s))
    return np.concatenate((before, samples, after))


def test_silences() -> None:
    """Silence before and after is told to a millisecond; a file of silence is silent all through."""
    found = ends(padded(sine_block(440.0, 2.0, peak=0.5), 1.5, 3.25), 3, 50_000, 170_001)
    assert (found.silence_before_s, found.silence_after_s) == pytest.approx((1.5, 3.25), abs=1e-3)
    assert ends(np.zeros((RATE, 1))).silence_before_s == 1.0


def test_a_start_in_the_middle_of_a_sound() -> None:
    """A cosine starts at its peak; a sine fades in from nothing within its first millisecond only so far."""
    assert ends(sine_block(440.0, 1.0, peak=0.5, phase=np.pi / 2)).first_peak_dbfs == pytest.approx(-6.02, abs=0.01)
    assert ends(padded(sine_block(440.0, 1.0), 0.1, 0.1)).first_peak_dbfs is None


def test_what_a_fade_ends_in() -> None:
    """Noise of -60 dBFS RMS (AES17: +3.01) and a hum of 50 Hz keep their level and are steady; a tone's fade is not."""
    noise = ends(padded(white_noise(2 * RATE, rms=1e-3), 0.0, 1.0))
    assert noise.rest_dbfs == pytest.approx(-56.99, abs=0.3)
    assert noise.rest_spread_db is not None
    assert noise.rest_spread_db < 2.0
    assert noise.rest_hz is None
    assert ends(sine_block(50.0, 2.0, peak=1e-3)).rest_hz == 50.0
    assert ends(sine_block(60.0, 2.0, peak=1e-3)).rest_hz == 60.0
    fading = ends(sine_block(440.0, 2.0) * np.linspace(1.0, 0.0, 2 * RATE)[:, None])
    assert fading.rest_spread_db is not None
    assert fading.rest_spread_db > 10.0


def test_a_constant_part_is_no_cut_sound() -> None:
    """A constant of 0.02 is told as that, and does not count as a start or an end that is cut."""
    found = ends(frames_of(np.full(RATE, 0.02)))
    assert found.dc_linear == pytest.approx(0.02)
    assert found.first_peak_dbfs is None or found.first_peak_dbfs < -200.0
    assert ends(sine_block(30.0, 1.0)).dc_linear == 0.0


def test_any_cut_is_the_same() -> None:
    """The cut of the blocks moves nothing, in files longer and shorter than what is kept."""
    for frames in (100, 4_801, 3 * RATE):
        samples = padded(white_noise(frames, 2), 0.01, 0.02)
        assert ends(samples) == ends(samples, 1, 2, 77)
