"""Correlation and mono loss by band, against sines and filters of the test's own."""

import numpy as np
import pytest

from stager.detectors.stereo_bands import BANDS_HZ
from stager.detectors.stereo_delay import MicrophoneMeter
from stager.model.condition import Band
from tests.support.signals import Samples, white_noise

RATE = 48_000
SECONDS = 4


def bands(samples: Samples) -> dict[str, Band]:
    meter = MicrophoneMeter(2, RATE)
    meter.update(samples)
    found = meter.result()
    assert found is not None
    return {band.name: band for band in found.bands}


def tone(hz: float, degrees: float, right: float = 1.0) -> Samples:
    """Two sines, the right one ahead by this angle and so many times as strong."""
    turns = 2 * np.pi * hz * np.arange(SECONDS * RATE) / RATE
    return 0.1 * np.column_stack((np.sin(turns), right * np.sin(turns + np.radians(degrees))))


PLACES = {"lows": 100.0, "middle": 800.0, "highs": 5000.0}


@pytest.mark.parametrize("name", PLACES)
@pytest.mark.parametrize(
    ("degrees", "loss_db"), [(0.0, 0.0), (30.0, -0.30), (60.0, -1.25), (90.0, -3.01), (120.0, -6.02), (150.0, -11.74)]
)
def test_sines_at_an_angle(name: str, degrees: float, loss_db: float) -> None:
    """Two equal sines at an angle: r = cos of it, and the fold loses 20 log10 cos of half of it (worked table)."""
    band = bands(tone(PLACES[name], degrees))[name]
    assert band.correlation == pytest.approx(np.cos(np.radians(degrees)), abs=1e-3)
    assert band.mono_loss_db == pytest.approx(loss_db, abs=0.03)
    assert band.power_share == pytest.approx(1.0, abs=1e-3)


def test_each_band_has_its_own_relation() -> None:
    """Lows upside down, a middle alike and unrelated highs are told apart: -1, 1 and about 0."""
    samples = tone(100.0, 180.0) + tone(800.0, 0.0)
    spectrum = np.fft.rfft(white_noise(SECONDS * RATE, 2), axis=0)
    spectrum[: 3000 * SECONDS] = 0.0
    found = bands(samples + np.fft.irfft(spectrum, SECONDS * RATE, axis=0))
    assert found["lows"].correlation == pytest.approx(-1.0, abs=1e-3)
    assert found["middle"].correlation == pytest.approx(1.0, abs=1e-3)
    assert found["highs"].correlation == pytest.approx(0.0, abs=0.02)
    assert found["highs"].mono_loss_db == pytest.approx(-3.01, abs=0.1)


def test_shares_are_those_of_power() -> None:
    """Tones at 0, -3.01 and -6.02 dB have 4/7, 2/7 and 1/7 of the power."""
    found = bands(tone(100.0, 0.0) + tone(800.0, 0.0) * 0.5**0.5 + tone(5000.0, 0.0) * 0.5)
    assert [band.power_share for band in found.values()] == pytest.approx([4 / 7, 2 / 7, 1 / 7], abs=2e-3)


def test_unequal_sides() -> None:
    """A right side at half the amplitude: the fold's power (1 + 0.5)^2 / 4 against the mean 0.625 is -0.458 dB."""
    band = bands(tone(800.0, 0.0, right=0.5))["middle"]
    assert band.correlation == pytest.approx(1.0, abs=1e-3)
    assert band.mono_loss_db == pytest.approx(10 * np.log10(0.5625 / 0.625), abs=0.01)


def test_nothing_is_left_of_an_inverted_pair() -> None:
    """Left and minus left: the fold is silence and has no level."""
    one = white_noise(SECONDS * RATE)
    for band in bands(np.hstack((one, -one))).values():
        assert band.correlation == pytest.approx(-1.0, abs=1e-9)
        assert band.mono_loss_db is None


def test_bands_follow_one_another() -> None:
    """The bands leave no gap between 40 Hz and 16 kHz."""
    edges = [edge for _, low, high in BANDS_HZ for edge in (low, high)]
    assert edges == [40.0, 250.0, 250.0, 2000.0, 2000.0, 16000.0]
