"""Hum: found at its level where there is one, and not heard in what musicians play."""

from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.hum import Hum, HumMeter
from stager.meters import AverageMeter
from stager.units import dbfs_rms_from_power, linear_from_db
from tests.support.signals import Samples, cut, frames_of

RATE: Final = 48_000
G1_HZ: Final = 48.9994
B1_HZ: Final = 61.7354
"""Notes of equal temperament at A4 = 440 Hz that lie next to 50 and 60 Hz."""


def found_in(*blocks: Samples, rate_hz: int = RATE, channel: int = 0) -> Hum | None:
    """What the meter finds in one channel, given the average as the panel gives it."""
    hums, averages = HumMeter(blocks[0].shape[1], rate_hz), AverageMeter(blocks[0].shape[1], rate_hz)
    for block in blocks:
        hums.update(block)
        averages.update(block)
    return hums.result(channel, averages.result().channel(channel).power)


def level_dbfs(hum: Hum | None) -> float:
    assert hum is not None
    level = dbfs_rms_from_power(hum.power)
    assert level is not None
    return level


def tones(seconds: float, lines: dict[float, float], seed: int, rate_hz: int = RATE) -> Samples:
    """Sines by frequency and AES17 level, at phases of chance."""
    rng, at = np.random.default_rng(seed), np.arange(round(seconds * rate_hz)) / rate_hz
    waves = (linear_from_db(level) * np.sin(2 * np.pi * (hz * at + rng.uniform())) for hz, level in lines.items())
    return frames_of(sum(waves, np.zeros(len(at))))


def hiss(seconds: float, level_dbfs: float, seed: int, rate_hz: int = RATE) -> Samples:
    """White noise at this AES17 level."""
    rng = np.random.default_rng(1000 + seed)
    return frames_of(linear_from_db(level_dbfs) / np.sqrt(2) * rng.normal(size=round(seconds * rate_hz)))


def playing(seconds: float, hz: float = 220.0, rate_hz: int = RATE, on_s: float = 3.0, off_s: float = 4.0) -> Samples:
    """A part at -20 dBFS that plays and pauses by turns."""
    at = np.arange(round(seconds * rate_hz)) / rate_hz
    return frames_of(np.where(at % (on_s + off_s) < on_s, 0.1 * np.sin(2 * np.pi * hz * at), 0.0))


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_over_noise_is_found_at_its_level(mains_hz: float, seed: int) -> None:
    """50 or 60 Hz at -60 dBFS over noise at -70, in the pauses of a part: found within 1 dB, and which mains."""
    samples = playing(14.0) + tones(14.0, {mains_hz: -60.0}, seed) + hiss(14.0, -70.0, seed)
    found = found_in(samples)
    assert level_dbfs(found) == pytest.approx(-60.0, abs=1.0)
    assert found is not None
    assert found.mains_hz == mains_hz


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 44_100, 96_000, 192_000])
def test_hum_at_any_rate(rate_hz: int) -> None:
    """The sample rate changes nothing in that."""
    samples = playing(14.0, rate_hz=rate_hz) + tones(14.0, {50.0: -60.0}, 1, rate_hz) + hiss(14.0, -70.0, 1, rate_hz)
    assert level_dbfs(found_in(samples, rate_hz=rate_hz)) == pytest.approx(-60.0, abs=1.0)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("offset", [-0.009, -0.004, 0.003, 0.009])
def test_mains_may_be_off_by_one_percent(mains_hz: float, offset: float) -> None:
    """The mains keeps its frequency within 1 % (EN 50160, 99.5 % of the year); hum off by so much is still hum."""
    lines = {mains_hz * (1.0 + offset): -60.0, 2.0 * mains_hz * (1.0 + offset): -66.0}
    found = found_in(playing(14.0) + tones(14.0, lines, 2) + hiss(14.0, -75.0, 2))
    assert found is not None
    assert found.mains_hz == mains_hz


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_level_is_that_of_all_lines(mains_hz: float) -> None:
    """A rectifier's hum, strong at twice the mains, reads the power sum of its lines."""
    lines = {mains_hz: -64.0, 2 * mains_hz: -58.0, 3 * mains_hz: -66.0, 4 * mains_hz: -70.0}
    found = found_in(playing(14.0) + tones(14.0, lines, 3) + hiss(14.0, -80.0, 3))
    expected = 10 * np.log10(sum(10 ** (level / 10) for level in lines.values()))
    assert level_dbfs(found) == pytest.approx(expected, abs=1.0)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_harmonics_without_the_fundamental(mains_hz: float) -> None:
    """Two harmonics are hum as well: a high-pass may have taken the fundamental."""
    found = found_in(playing(14.0) + tones(14.0, {2 * mains_hz: -60.0, 4 * mains_hz: -64.0}, 4) + hiss(14.0, -80.0, 4))
    assert found is not None
    assert found.mains_hz == mains_hz


def held(hz: float, seed: int, seconds: float = 14.0) -> Samples:
    """A held note with four harmonics that never pauses, at about -20 dBFS, over noise."""
    lines = {hz * n: -20.0 - 6.0 * (n - 1) for n in range(1, 5)}
    return tones(seconds, lines, seed) + hiss(seconds, -70.0, seed)


HELD: Final = {"G1, 49.0 Hz": G1_HZ, "B1, 61.7 Hz": B1_HZ}


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("hz", HELD.values(), ids=HELD.keys())
def test_held_note_is_no_hum(hz: float, seed: int) -> None:
    """A note that plays all the time is the part itself."""
    assert found_in(held(hz, seed)) is None


@pytest.mark.parametrize("seconds", [3.0, 14.0])
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_that_is_all_there_is_is_found(mains_hz: float, seconds: float) -> None:
    """Hum alone is found at its level, by whatever length; a drone on exactly the mains frequency looks the same."""
    lines = {mains_hz * n: -20.0 - 6.0 * (n - 1) for n in range(1, 5)}
    found = found_in(held(mains_hz, 1, seconds))
    assert found is not None
    assert found.mains_hz == mains_hz
    power = sum(10 ** (level / 10) for level in lines.values())
    assert level_dbfs(found) == pytest.approx(10 * np.log10(power), abs=1.0)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("hz", [G1_HZ, B1_HZ, 55.0, 73.4162, 82.4069, 97.9989, 110.0], ids=lambda hz: f"{hz:.1f} Hz")
def test_quiet_note_through_the_pauses_is_no_hum(hz: float, seed: int) -> None:
    """A sympathetic string at -60 dBFS that rings evenly through the pauses, at a note's pitch, is not the mains.

    G1 lies 2 % under 50 Hz and B1 2.9 % over 60 Hz, both outside the 1 % of the mains.
    """
    lines = {hz: -60.0, 2 * hz: -63.0, 3 * hz: -66.0}
    assert found_in(playing(14.0, 4 * hz) + tones(14.0, lines, seed) + hiss(14.0, -75.0, seed)) is None


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("hz", [50.0, 60.0, G1_HZ, B1_HZ], ids=lambda hz: f"{hz:.1f} Hz")
def test_decaying_note_is_no_hum(hz: float, seed: int) -> None:
    """Plucked notes that die away, even at exactly the mains' frequency, are no hum: hum keeps its level."""
    rng, frames = np.random.default_rng(seed), 16 * RATE
    out = hiss(16.0, -75.0, seed)[:, 0]
    for start in range(0, frames, 4 * RATE):
        n = np.arange(frames - start)[: 4 * RATE] / RATE
        decay = np.exp(-n / rng.uniform(0.3, 1.2)) * np.minimum(1.0, n * 500.0)
        for harmonic in (1, 2, 3):
            out[start : start + len(n)] += 0.3 / harmonic * decay * np.sin(2 * np.pi * hz * harmonic * n)
    assert found_in(frames_of(out)) is None


@pytest.mark.parametrize("seed", range(12))
def test_noise_alone_is_no_hum(seed: int) -> None:
    """Noise in the pauses, white or brown, has no line that stands out."""
    brown = np.cumsum(np.random.default_rng(seed).normal(size=14 * RATE))
    brown -= np.linspace(brown[0], brown[-1], len(brown))
    brown *= linear_from_db(-60.0) / np.sqrt(2) / brown.std()
    assert found_in(playing(14.0) + hiss(14.0, -60.0, seed)) is None
    assert found_in(playing(14.0) + frames_of(brown)) is None


def test_one_harmonic_alone_is_no_hum() -> None:
    """A line at 150 Hz and none elsewhere may be anything."""
    assert found_in(playing(14.0) + tones(14.0, {150.0: -60.0}, 5) + hiss(14.0, -80.0, 5)) is None


def test_hum_that_nobody_hears() -> None:
    """Lines under -95 dBFS in all lie under the noise of a dithered 16-bit grid, and are left unsaid."""
    assert found_in(playing(14.0) + tones(14.0, {50.0: -99.0}, 6) + hiss(14.0, -115.0, 6)) is None


def test_no_hum_without_part() -> None:
    """Neither silence, nor a few samples, nor hum under the gate of the average has a figure."""
    hum = tones(14.0, {50.0: -60.0}, 7)
    for samples in (np.zeros((14 * RATE, 1)), frames_of([0.5]), hum * linear_from_db(-30.0)):
        assert found_in(samples) is None


def test_hum_under_a_steady_part_is_found() -> None:
    """A part that never pauses, with hum 40 dB under it: found within 1 dB."""
    steady = frames_of(0.1 * np.sin(np.arange(14 * RATE) / 20.0))
    assert level_dbfs(found_in(steady + tones(14.0, {50.0: -60.0}, 7))) == pytest.approx(-60.0, abs=1.0)


def test_pauses_cut_to_digital_silence_have_no_hum() -> None:
    """Where an editor cut the pauses there is nothing to search."""
    samples = playing(14.0) + tones(14.0, {50.0: -60.0}, 8)
    assert found_in(np.where(playing(14.0) == 0.0, 0.0, samples)) is None


def test_constant_part_is_no_hum() -> None:
    """An offset neither hides hum nor is any."""
    part, hum = playing(14.0) + hiss(14.0, -75.0, 9), tones(14.0, {50.0: -60.0}, 9)
    assert found_in(part + 0.01) is None
    assert level_dbfs(found_in(part + hum + 0.01)) == pytest.approx(-60.0, abs=1.0)


def test_channels_are_apart() -> None:
    """Hum of one channel is not found in the other."""
    part = playing(14.0) + hiss(14.0, -75.0, 10)
    both = np.hstack((part, part + tones(14.0, {60.0: -60.0}, 10)))
    assert found_in(both) is None
    assert level_dbfs(found_in(both, channel=1)) == pytest.approx(-60.0, abs=1.0)


@settings(deadline=None, max_examples=25)
@given(edges=st.lists(st.integers(1, 111_999), max_size=20))
def test_any_cut_gives_the_same(edges: list[int]) -> None:
    """However the blocks are cut, hum is found at the same level."""
    samples = playing(14.0, rate_hz=8_000) + tones(14.0, {50.0: -60.0}, 11, 8_000) + hiss(14.0, -75.0, 11, 8_000)
    one, other = found_in(samples, rate_hz=8_000), found_in(*cut(samples, edges), rate_hz=8_000)
    assert level_dbfs(other) == pytest.approx(level_dbfs(one), abs=1e-6)


@settings(deadline=None, max_examples=25)
@given(gain_db=st.floats(-20.0, 15.0))
def test_gain_moves_the_level(gain_db: float) -> None:
    """A gain of g dB moves the level of hum by g, while it stays worth saying."""
    samples = playing(14.0, rate_hz=8_000) + tones(14.0, {50.0: -60.0}, 12, 8_000) + hiss(14.0, -75.0, 12, 8_000)
    one, other = (found_in(part, rate_hz=8_000) for part in (samples, samples * linear_from_db(gain_db)))
    assert level_dbfs(other) == pytest.approx(level_dbfs(one) + gain_db, abs=1e-6)
