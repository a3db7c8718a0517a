"""Stretches at the working rate, whatever the file's."""

from pathlib import Path

import numpy as np
import pytest

from stager.songset.pairs.excerpts import BAND_EDGE_HZ, CORE, STRETCH_S, WORK_RATE_HZ, read_stretches
from tests.support.folders import written
from tests.support.signals import white_noise
from tests.support.wavefile import float_wav, wav


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_a_tone_stays_that_tone_at_any_rate(tmp_path: Path, rate_hz: int) -> None:
    """A sine read at the working rate is the sine computed there, away from the ends (worked arithmetic)."""
    at = np.arange(8 * rate_hz) / rate_hz
    path = written(tmp_path / "a.wav", float_wav(0.5 * np.sin(2 * np.pi * 440.0 * at), rate_hz))
    ((view,),) = read_stretches(path, [1.0])
    here = 1.0 + np.arange(STRETCH_S * WORK_RATE_HZ) / WORK_RATE_HZ
    assert len(view) == STRETCH_S * WORK_RATE_HZ
    assert np.abs(view - 0.5 * np.sin(2 * np.pi * 440.0 * here))[CORE].max() < 1e-3


def test_what_lies_over_the_band_is_not_folded_into_it(tmp_path: Path) -> None:
    """A tone over the band's edge leaves nothing, at no mirrored frequency either."""
    at = np.arange(6 * 48_000) / 48_000
    path = written(tmp_path / "a.wav", float_wav(np.sin(2 * np.pi * (BAND_EDGE_HZ + 3000.0) * at)))
    ((view,),) = read_stretches(path, [0.0])
    assert np.abs(view[CORE]).max() < 1e-3


def test_before_and_after_a_file_there_is_silence(tmp_path: Path) -> None:
    """Stretches reach beyond both ends of a short file."""
    path = written(tmp_path / "a.wav", wav(white_noise(WORK_RATE_HZ, rms=0.1), rate_hz=WORK_RATE_HZ))
    (early,), (late,) = read_stretches(path, [-2.0, 0.0])
    assert np.abs(early[: int(1.9 * WORK_RATE_HZ)]).max() < 0.02
    assert np.abs(late[int(1.1 * WORK_RATE_HZ) :]).max() < 0.02
    assert np.std(early[2 * WORK_RATE_HZ : 3 * WORK_RATE_HZ]) > 0.05


def test_stereo_has_three_views(tmp_path: Path) -> None:
    """Left, right and their mean; a third channel is not looked at."""
    block = white_noise(6 * WORK_RATE_HZ, 3, seed=4)
    path = written(tmp_path / "a.wav", float_wav(block, WORK_RATE_HZ))
    ((left, right, mean),) = read_stretches(path, [0.0])
    assert np.allclose(mean, (left + right) / 2, atol=1e-6)
    assert np.corrcoef(left, block[: len(left), 0])[0, 1] > 0.9
    assert np.corrcoef(right, block[: len(right), 1])[0, 1] > 0.9


def test_broken_samples_do_not_spread(tmp_path: Path) -> None:
    """One sample that is no number spoils a stretch's transform unless it counts as silence."""
    block = white_noise(6 * WORK_RATE_HZ, seed=5)
    block[40_000] = np.nan
    path = written(tmp_path / "a.wav", float_wav(block, WORK_RATE_HZ))
    ((view,),) = read_stretches(path, [0.0])
    assert np.isfinite(view).all()
