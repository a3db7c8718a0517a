"""Noise under parts that never pause: found at its level, and not taken from notes, swells or coded silence."""

from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.steady_noise import MOST_WINDOWS, NoiseWindows, steady_noise
from tests.support.signals import Array, cut, frames_of

RATE: Final = 16_000
SECONDS: Final = 12


def level_in(samples: Array, least_power: float = 0.0) -> float | None:
    """Return the level of the noise that is found in a mono part."""
    windows = NoiseWindows(1, RATE)
    windows.update(frames_of(samples))
    found = steady_noise(windows, 0, RATE, least_power)
    return None if found is None else found.level_dbfs


def chords(seed: int) -> Array:
    """Return three-note chords of eight partials without a pause between them, at about -17 dBFS."""
    rng, out, at = np.random.default_rng(seed), np.zeros(SECONDS * RATE), 0
    while at < len(out):
        length = int(rng.uniform(0.4, 1.5) * RATE)
        t = np.arange(min(length, len(out) - at)) / RATE
        notes = 110.0 * 2.0 ** (rng.choice(24, 3, replace=False) / 12.0)
        wave = sum(np.sin(2 * np.pi * k * hz * t + rng.uniform(0, 6)) / k for hz in notes for k in range(1, 9))
        out[at : at + len(t)] = rng.uniform(0.6, 1.0) * wave * np.minimum(1.0, np.minimum(t, t[::-1]) / 0.01 + 0.05)
        at += length
    return 0.1 * out / out.std()


def hiss(seed: int, level_dbfs: float) -> Array:
    """Return white noise at this level in dBFS of a sine (AES17: RMS 3.01 dB under it)."""
    return 10 ** ((level_dbfs - 3.0103) / 20) * np.random.default_rng(seed).standard_normal(SECONDS * RATE)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("under_db", [5.0, 15.0, 25.0])
def test_noise_under_chords_is_found_at_its_level(under_db: float, seed: int) -> None:
    """White noise 5 to 25 dB under chords that follow each other: within 3 dB (levels by arithmetic)."""
    assert level_in(chords(seed) + hiss(seed, -17.0 - under_db)) == pytest.approx(-17.0 - under_db, abs=3.0)


@pytest.mark.parametrize("seed", range(3))
def test_chords_alone_have_no_noise_to_speak_of(seed: int) -> None:
    """The same chords over the noise of a 16-bit grid: what is found lies 60 dB and more under them, if anything."""
    level = level_in(chords(seed) + hiss(seed, -93.0))
    assert level is None or level < -77.0


@pytest.mark.parametrize("hz", [55.0, 110.0, 220.0, 997.0])
def test_a_held_tone_has_none(hz: float) -> None:
    """A saw held for the whole file: its partials are lines, and lines do not fluctuate."""
    t = np.arange(SECONDS * RATE) / RATE
    saw = sum(np.sin(2 * np.pi * k * hz * t) / k for k in range(1, int(7_000 / hz) + 1))
    level = level_in(0.1 * saw)
    assert level is None or level < -77.0


def test_noise_that_swells_belongs_to_the_sound() -> None:
    """Noise that follows the playing, as breath does, is not at one level and is no fault."""
    t = np.arange(SECONDS * RATE) / RATE
    swell = 10 ** (-0.75 * (1.0 - np.cos(2 * np.pi * 0.7 * t)))
    assert level_in(chords(1) * swell + hiss(1, -35.0) * swell) is None


def test_too_little_or_nothing_gives_none() -> None:
    """Two seconds are needed; digital silence, coarse steps and a single sample have no noise."""
    for samples in (hiss(1, -40.0)[: 2 * RATE - RATE // 4], np.zeros(SECONDS * RATE), np.array([0.5])):
        assert level_in(samples) is None
    assert level_in(hiss(1, -80.0), least_power=10 ** ((-79.0 - 3.0103) / 10)) is None
    assert level_in(hiss(1, -80.0), least_power=10 ** ((-82.0 - 3.0103) / 10)) is not None


def test_windows_of_digital_silence_count_for_nothing() -> None:
    """A part that an editor cut into pieces keeps the noise that is under its pieces."""
    t = np.arange(SECONDS * RATE) / RATE
    pieces = np.where(t % 1.5 < 1.0, chords(2) + hiss(2, -37.0), 0.0)
    assert level_in(pieces) == pytest.approx(-37.0, abs=3.0)


@given(edges=st.lists(st.integers(0, 40_000), max_size=12))
@settings(max_examples=25, deadline=None)
def test_windows_are_the_same_for_any_cut(edges: list[int]) -> None:
    """However the samples arrive, windows lie at multiples of one distance, and fewer than 200 are kept."""
    windows = NoiseWindows(1, 1_000)
    for block in cut(frames_of(np.arange(40_000.0)), edges):
        windows.update(block)
    found = np.array(windows.of(0))
    assert 20 <= len(found) < MOST_WINDOWS
    assert np.array_equal(found[:, 0], windows.hop_frames * np.arange(len(found)))
    assert np.array_equal(found, found[:, :1] + np.arange(found.shape[1]))


def test_memory_is_bounded_for_very_many_channels() -> None:
    """Of 512 channels fewer windows are kept: 64 MiB for all of them, but 40 windows at least."""
    windows = NoiseWindows(512, RATE)
    block = np.zeros((RATE, 512))
    for _ in range(10):
        windows.update(block)
    assert 20 <= len(windows.of(0)) < 40
