"""Hum under parts that never pause: found at its level, and not taken from low notes, tunes or loops."""

from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.hum import Hum, HumMeter
from stager.detectors.mains_lines import MOST_WINDOWS, LineWindows
from stager.meters import AverageMeter
from stager.units import db_from_power
from tests.support.signals import Array, cut, frames_of

RATE: Final = 8_000
SECONDS: Final = 20


def found_in(samples: Array) -> tuple[Hum | None, float]:
    """Return what the meter finds in a mono part, and the mean square of the part's average."""
    hums, averages = HumMeter(1, RATE), AverageMeter(1, RATE)
    hums.update(frames_of(samples))
    averages.update(frames_of(samples))
    power = averages.result().channel(0).power
    assert power is not None
    return hums.result(0, power), power


def tune(seed: int, lowest_hz: float, notes: tuple[int, ...], partials: int = 6) -> Array:
    """Return notes without a pause between them, in semitones over the lowest, RMS about 0.1; each begins softly."""
    rng, out, at = np.random.default_rng(seed), np.zeros(SECONDS * RATE), 0
    while at < len(out):
        length = int(rng.uniform(0.25, 1.0) * RATE)
        t = np.arange(min(length, len(out) - at)) / RATE
        hz = lowest_hz * 2.0 ** (rng.choice(notes) / 12.0)
        wave = sum(np.sin(2 * np.pi * k * hz * t + rng.uniform(0, 6)) / k for k in range(1, partials + 1))
        out[at : at + len(t)] = 0.12 * wave * np.minimum(1.0, np.minimum(t, t[::-1]) / 0.01 + 0.05)
        at += length
    return out + 1e-5 * rng.standard_normal(len(out))


def hum(seed: int, mains_hz: float, under_db: float) -> Array:
    """Return hum of four lines that drifts by 0.2 Hz, so many decibels under an RMS of 0.1."""
    rng, t = np.random.default_rng(seed), np.arange(SECONDS * RATE) / RATE
    phase = 2 * np.pi * np.cumsum(mains_hz + 0.2 * np.sin(2 * np.pi * t / SECONDS + rng.uniform(0, 6))) / RATE
    wave = sum(a * np.sin(n * phase + rng.uniform(0, 6)) for n, a in ((1, 1.0), (2, 0.4), (3, 0.3), (5, 0.1)))
    return 0.1 * 10 ** (-under_db / 20) * wave / wave.std()


@pytest.mark.parametrize("under_db", [5.0, 15.0, 25.0])
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_under_a_part_without_pauses_is_found_at_its_level(mains_hz: float, under_db: float) -> None:
    """Drifting mains lines under a part of 110 Hz and up that never pauses: found, within 1.5 dB, and which mains."""
    found, _ = found_in(tune(1, 110.0, (0, 2, 4, 5, 7, 9, 11)) + hum(2, mains_hz, under_db))
    assert found is not None
    assert found.mains_hz == mains_hz
    level_db = db_from_power(found.power / (0.01 * 10 ** (-under_db / 10)))
    assert level_db == pytest.approx(0.0, abs=1.5)


@pytest.mark.parametrize("seed", range(4))
def test_a_part_without_hum_has_none(seed: int) -> None:
    """The same parts as they are."""
    assert found_in(tune(seed, 110.0, (0, 2, 4, 5, 7, 9, 11)))[0] is None


@pytest.mark.parametrize("lowest_hz", [50.0, 60.0])
@pytest.mark.parametrize("seed", range(4))
def test_a_bass_that_plays_a_tune_on_the_mains_frequency_is_no_hum(lowest_hz: float, seed: int) -> None:
    """Notes of exactly 50 or 60 Hz among others begin and end."""
    assert found_in(tune(seed, lowest_hz, (0, 0, 0, 3, 5, 7), partials=2))[0] is None


@pytest.mark.parametrize("hz", [48.9994, 55.0, 61.7354], ids=["G1", "A1", "B1"])
def test_a_held_low_note_is_no_hum(hz: float) -> None:
    """Notes of equal temperament at A4 = 440 Hz next to the mains, held for the whole file."""
    t = np.arange(SECONDS * RATE) / RATE
    note = sum(0.1 / k * np.sin(2 * np.pi * k * hz * t) for k in range(1, 12))
    assert found_in(note + 1e-5 * np.random.default_rng(1).standard_normal(len(t)))[0] is None


def test_a_loop_of_ten_strokes_a_second_is_no_hum() -> None:
    """A stroke that is repeated exactly every 100 ms has lines at 50 and 60 Hz, and as strong ones beside them."""
    stroke = np.random.default_rng(1).standard_normal(RATE // 10) * np.exp(-np.arange(RATE // 10) / 100.0)
    assert found_in(0.1 * np.tile(stroke, 10 * SECONDS))[0] is None


@given(edges=st.lists(st.integers(0, 4_000), max_size=12))
@settings(max_examples=25)
def test_windows_are_the_same_for_any_cut(edges: list[int]) -> None:
    """However the decimated samples arrive, windows lie at multiples of the hop, and fewer than 80 are kept."""
    rows = frames_of(np.arange(4_000.0))
    windows = LineWindows(40.0)
    for block in cut(rows, edges):
        windows.add(block)
    found = windows.of(0)
    assert len(found) < MOST_WINDOWS
    starts = found[:, 0]
    assert np.array_equal(starts, 80.0 * np.arange(len(starts)))
    assert starts[-1] + 80 <= 4_000 < starts[-1] + 80 + 80
    assert np.array_equal(found, starts[:, None] + np.arange(80.0))
