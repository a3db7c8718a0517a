"""The small picture of a stem: any cut, any channel, any gain; and what it finds."""

from pathlib import Path

import numpy as np
import pytest

from stager.songset.pairs.fingerprints import AudioFingerprint, audio_fingerprint, match, moves, spectra
from tests.songset.pairs.sounds import RATE, plucked
from tests.support.folders import written
from tests.support.signals import white_noise
from tests.support.wavefile import float_wav, wav


def audio_fingerprint_of(folder: Path, samples: np.ndarray, rate_hz: int = RATE) -> AudioFingerprint:
    return audio_fingerprint(written(folder / "a.wav", float_wav(samples, rate_hz)))


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 48_000])
def test_fifty_frames_a_second_at_any_rate(tmp_path: Path, rate_hz: int) -> None:
    """Ten seconds have 500 frames of five bands, 2.5 kB, whatever the rate (worked arithmetic)."""
    made = audio_fingerprint_of(tmp_path, white_noise(10 * rate_hz), rate_hz)
    assert made.steps.shape == (500, 5)
    assert made.steps.nbytes == 2500
    assert made.duration_s == 10.0


def test_blocks_are_cut_anywhere(tmp_path: Path) -> None:
    """A long stereo file, read in many blocks, has the bands' powers of each frame taken by itself (numpy)."""
    rate = 44_100
    block = white_noise(20 * rate, 2, seed=3)
    made = audio_fingerprint_of(tmp_path, block, rate)
    for frame in (0, 57, 500, 999):
        part = block[frame * 882 : frame * 882 + 882] @ np.array([1.0, 0.6])
        spectrum = np.abs(np.fft.rfft(part)) ** 2 / 882**2
        hz = np.arange(len(spectrum)) * rate / 882
        power = spectrum[(hz >= 500) & (hz < 1200)].sum()
        assert made.steps[frame, 2] == pytest.approx(6.0 * (np.log2(power) + 36.5), abs=1.0)


def test_a_gain_moves_nothing(tmp_path: Path) -> None:
    """12 dB less is the same movement, to the rounding of a step."""
    part = plucked(1)
    one, other = audio_fingerprint_of(tmp_path, part), audio_fingerprint_of(tmp_path, part / 4)
    heard = other.steps > 0
    assert np.abs(one.steps.astype(int) - other.steps - 24)[heard].max() <= 1
    assert match(*spectra([one, other])).here > 0.98


@pytest.mark.parametrize("shift_s", [0.0, 1.5, -2.0])
def test_a_shift_is_found(tmp_path: Path, shift_s: float) -> None:
    """A part moved by whole frames of the fingerprint matches there, and says by how much it is later."""
    part = np.pad(plucked(2), 3 * RATE)
    moved = np.roll(part, round(shift_s * RATE))
    found = match(*spectra([audio_fingerprint_of(tmp_path, part), audio_fingerprint_of(tmp_path, moved)]))
    assert found.lag_s == pytest.approx(shift_s)
    assert found.best > 0.95


def test_another_part_does_not_match(tmp_path: Path) -> None:
    """Noise of other chance is not alike at any shift."""
    found = match(
        *spectra(
            [
                audio_fingerprint_of(tmp_path, white_noise(160_000, seed=1)),
                audio_fingerprint_of(tmp_path, white_noise(160_000, seed=2)),
            ]
        )
    )
    assert found.best < 0.3


def test_rests_are_told_from_playing(tmp_path: Path) -> None:
    """A stem plays where it is within 40 dB of its loud frames, a quiet noise under it or not."""
    part = white_noise(4 * RATE, rms=1e-4)
    part[RATE : 2 * RATE] = white_noise(RATE, seed=2, rms=0.2)
    plays = audio_fingerprint_of(tmp_path, part).plays
    assert plays[52:98].all()
    assert not plays[:48].any()
    assert not plays[102:].any()


def test_opposite_channels_do_not_vanish(tmp_path: Path) -> None:
    """A stereo file whose right is the left turned over has a fingerprint."""
    part = white_noise(4 * RATE, seed=6)
    assert audio_fingerprint_of(tmp_path, np.hstack([part, -part])).plays.all()


def test_silence_and_broken_samples(tmp_path: Path) -> None:
    """Silence plays nowhere and moves nothing; samples that are no numbers make no figure that isn't one."""
    silent = audio_fingerprint(written(tmp_path / "s.wav", wav(np.zeros(RATE), rate_hz=RATE)))
    assert not silent.plays.any()
    assert not moves(silent).any()
    part = white_noise(4 * RATE, seed=7)
    part[30_000], part[40_000] = np.nan, np.inf
    assert np.isfinite(moves(audio_fingerprint_of(tmp_path, part))).all()
    assert match(*spectra([silent, silent])).best == 0.0


def test_a_file_shorter_than_a_frame_has_an_empty_print(tmp_path: Path) -> None:
    """Ten milliseconds hold no frame, and match nothing."""
    short = audio_fingerprint_of(tmp_path, white_noise(160))
    assert short.steps.shape == (0, 5)
    assert match(*spectra([short, short])).best == 0.0
