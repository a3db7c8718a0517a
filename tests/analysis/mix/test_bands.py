"""Energy and mono loss by band, against scipy's cross spectra."""

import numpy as np
import pytest
from scipy.signal import csd

from stager.analysis.mix.bands import BandMeter
from tests.support.signals import RATE, Samples, cut, white_noise


def measured(samples: Samples, edges: tuple[int, ...] = ()) -> BandMeter:
    """A meter that was fed these samples, cut at these frames."""
    meter = BandMeter(samples.shape[1], RATE)
    for block in cut(samples, edges) if edges else [samples]:
        meter.update(block)
    return meter


def test_bands_against_scipy() -> None:
    """Shares and mono losses are those of scipy.signal.csd with the same windows (P. D. Welch, 1967)."""
    rng = np.random.default_rng(1)
    left = rng.normal(size=10 * RATE).cumsum()
    left -= np.linspace(left[0], left[-1], len(left))
    samples = np.stack((left, 0.6 * np.roll(left, 40) + rng.normal(size=len(left))), axis=1) / 1_000
    found = measured(samples).result()
    size = 8_192
    scipy = [
        csd(samples[:, i], samples[:, j], RATE, "hann", size, detrend=False, scaling="density")[1].real
        for i, j in ((0, 0), (1, 1), (0, 1))
    ]
    hz = np.fft.rfftfreq(size, 1 / RATE)
    power, fold = (scipy[0] + scipy[1]) / 2, (scipy[0] + scipy[1] + 2 * scipy[2]) / 4
    for band in found:
        inside = (hz >= band.from_hz) & (hz < band.to_hz)
        expected = 10 * np.log10(fold[inside].sum() / power[inside].sum())
        assert band.mono_loss_db == pytest.approx(expected, abs=0.1)
        assert band.share == pytest.approx(power[inside].sum() / power.sum(), rel=0.05)


def test_any_cut_is_the_same() -> None:
    """The cut of the blocks moves nothing."""
    samples = white_noise(3 * RATE, 2)
    assert measured(samples).result() == measured(samples, (1, 2, 77, 16_384, 100_000)).result()


def test_equal_sides_lose_nothing_and_silence_has_no_level() -> None:
    """Equal sides lose 0 dB, opposite ones everything; silence is None."""
    one = white_noise(RATE, 1)
    assert max(abs(band.mono_loss_db or 0.0) for band in measured(np.hstack((one, one))).result()) < 1e-9
    assert all(band.mono_loss_db is None for band in measured(np.hstack((one, -one))).result())
    assert all(band.level_db is None for band in measured(np.zeros((RATE, 2))).result())
    assert all(band.mono_loss_db is None for band in measured(one).result())
