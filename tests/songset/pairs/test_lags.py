"""Correlation over lags, peaks between frames, and the flat spectrum."""

import numpy as np
import pytest

from stager.songset.pairs.excerpts import STRETCH_S, WORK_RATE_HZ
from stager.songset.pairs.lags import correlations, flattened, peaks, window_powers, window_starts
from tests.songset.pairs.sounds import later

FRAMES = STRETCH_S * WORK_RATE_HZ
NOISE = np.random.default_rng(1).normal(size=FRAMES)


def single(signal: np.ndarray) -> np.ndarray:
    return signal.astype(np.float32)


def test_correlations_against_the_sum_itself() -> None:
    """r(lag) is the plain sum of products over the roots of both energies, for every lag (worked again in float64)."""
    other = np.random.default_rng(2).normal(size=FRAMES)
    starts, frames, reach = np.array([20_000, 30_001]), 700, 40
    found = correlations(single(NOISE), single(other), starts, frames, reach)
    for row, start in zip(found, starts, strict=True):
        x = NOISE[start : start + frames]
        for lag in range(-reach, reach + 1):
            y = other[start + lag : start + lag + frames]
            assert row[lag + reach] == pytest.approx(x @ y / np.sqrt((x @ x) * (y @ y)), abs=1e-4)


@pytest.mark.parametrize("frames", [0.0, 3.0, 12.25, -7.5, 30.9])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_moved_signal_has_that_lag(frames: float, sign: float) -> None:
    """The lag is found within a twentieth of a frame, the polarity by its sign, and the likeness is 1 within 1 %."""
    smooth = np.convolve(NOISE, np.hanning(9), "same")
    found = correlations(single(smooth), single(sign * later(smooth, frames)), window_starts(), 3200, 40)
    lag, r = peaks(found)
    assert lag == pytest.approx(np.full(len(lag), frames), abs=0.05)
    assert sign * r == pytest.approx(np.ones(len(r)), abs=0.01)


def test_silence_correlates_with_nothing() -> None:
    """Windows without sound give 0, no division by it."""
    found = correlations(single(np.zeros(FRAMES)), single(np.zeros(FRAMES)), window_starts(), 3200, 40)
    assert np.all(found == 0.0)


def test_flattened_undoes_a_filter() -> None:
    """Noise through a gentle low cut has an even spectrum again, within 1 dB from 200 to 6000 Hz."""
    slope = np.convolve(NOISE, [1.0, -0.7], "same")
    (flat,) = flattened([single(slope)])
    power = np.abs(np.fft.rfft(flat)) ** 2
    hz = np.arange(len(power)) / STRETCH_S
    bands = [power[(hz >= low) & (hz < low + 400)].mean() for low in range(200, 6000, 400)]
    assert max(bands) / min(bands) < 10**0.1


def test_window_powers_are_sums_of_squares() -> None:
    """The energy of each window is the sum of its squares, worked again."""
    starts = window_starts()
    (found,) = window_powers([single(NOISE)], starts, 3200)
    expected = [np.sum(NOISE[start : start + 3200] ** 2) for start in starts]
    assert found == pytest.approx(expected, rel=1e-5)
