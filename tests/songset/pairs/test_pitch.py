"""Copies shifted in pitch with their timing kept, by arithmetic and by sox's splices; and parts played twice."""

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from stager.judge.pairs import kinship
from stager.model.pairs import Kinship
from stager.songset.pairs import compare
from stager.songset.pairs.align import playing_windows
from stager.songset.pairs.excerpts import STRETCH_S, WORK_RATE_HZ, Signal
from stager.songset.pairs.lags import flattened
from stager.songset.pairs.pitch import pitch_shift_cents
from tests.songset.pairs.sounds import RATE, plucked
from tests.support.folders import written
from tests.support.wavefile import float_wav

needs_sox = pytest.mark.skipif(shutil.which("sox") is None, reason="sox is not installed")
FRAMES = STRETCH_S * WORK_RATE_HZ


def stretches(part: np.ndarray) -> list[Signal]:
    """Return two stretches of a part as they are compared."""
    return flattened([part[at : at + FRAMES].astype(np.float32) for at in (0, FRAMES)])


def shifted(part: np.ndarray, cents: float) -> np.ndarray:
    """Return each stretch resampled around its middle by linear interpolation at 16 times the rate."""
    made = []
    for stretch in (part[:FRAMES], part[FRAMES : 2 * FRAMES]):
        fine = np.fft.irfft(np.fft.rfft(stretch), 16 * FRAMES) * 16.0
        at = FRAMES / 2 + (np.arange(FRAMES) - FRAMES / 2) * 2.0 ** (cents / 1200.0)
        made.append(np.interp(16.0 * at, np.arange(len(fine)), fine))
    return np.concatenate(made)


@pytest.mark.parametrize("cents", [-10.0, -5.0, 3.0, 8.0])
def test_the_shift_is_found_to_a_cent(cents: float) -> None:
    """Positive is higher: a part read faster than it was played."""
    first = plucked(1, jitter_ms=8.0)
    ones, others = stretches(first), stretches(shifted(first, cents))
    assert pitch_shift_cents(ones, others, playing_windows(ones)) == cents


def test_no_shift_makes_one_performance_of_two() -> None:
    """Neither of two performances, nor of a part beside itself, nor of silence."""
    ones, others = stretches(plucked(1, jitter_ms=8.0)), stretches(plucked(2, jitter_ms=8.0))
    plays = playing_windows(ones)
    assert pitch_shift_cents(ones, others, plays) is None
    assert pitch_shift_cents(ones, ones, plays) is None
    assert pitch_shift_cents(ones, ones, np.zeros_like(plays)) is None


@needs_sox
@pytest.mark.parametrize("cents", [-9, -5, 5, 9])
def test_a_copy_shifted_by_splices_is_no_second_performance(tmp_path: Path, cents: int) -> None:
    """What sox's pitch makes of a part is never called two performances."""
    path = written(tmp_path / "a.wav", float_wav(plucked(1, jitter_ms=8.0), RATE))
    subprocess.run(["sox", "-D", path, tmp_path / "b.wav", "pitch", str(cents)], check=True, capture_output=True)
    found = compare(path, tmp_path / "b.wav")
    assert kinship(found) in {Kinship.UNSURE, Kinship.SAME_TAKE, Kinship.COPY}
