"""Worked examples of a trim: limits, exact factors, silence, and a gain there and back."""

from typing import Any

import numpy as np
import pytest

from tests.support import reference_levels
from tests.support.signals import RATE, sine
from tests.support.song import Song, SongMaker
from tests.support.wavefile import DOUBLE, FLOAT, PCM_16, PCM_24


def _sparse(average_dbfs: float, peak_dbfs: float) -> np.ndarray:
    """A low tone under short strokes, ten a second: this gated average, and this peak on a sample."""
    stroke_frames = 24
    n = np.arange(-stroke_frames, stroke_frames + 1)
    stroke = (0.5 + 0.5 * np.cos(np.pi * n / stroke_frames)) * np.cos(2 * np.pi * 2000 * n / RATE)
    strokes, room = np.zeros(10 * RATE), np.ones(10 * RATE)
    for centre in range(RATE // 20, 10 * RATE, RATE // 10):
        strokes[centre + n] = reference_levels.linear(peak_dbfs) * stroke
        room[centre + n] = 0.0
    tone = room * sine(200, 0.0, 10)
    low, high = 0.0, 0.1
    for _ in range(60):
        middle = (low + high) / 2
        over = reference_levels.average_dbfs(strokes + middle * tone, RATE) > average_dbfs
        low, high = (low, middle) if over else (middle, high)
    return strokes + low * tone


def test_a_sparse_part_stops_at_the_ceiling(make_song: SongMaker) -> None:
    """Average -31.2, peak -9.5, target -18, ceiling -1: wanted +13.2, allowed +8.5, result -22.7 (arithmetic)."""
    song = make_song("[target]\nceiling_dbtp = -1.0\n")
    song.put("sparse.wav", _sparse(-31.2, -9.505), RATE, DOUBLE)
    trim = song.outcome("sparse.wav")["trim"]
    assert trim["wanted_gain_db"] == pytest.approx(13.2, abs=0.01)
    assert trim["ceiling_allows_db"] == pytest.approx(8.5, abs=0.02)
    assert (trim["gain_db"], trim["decided_by"]) == (8.5, "ceiling")
    assert reference_levels.average_dbfs(song.copy("sparse.wav").samples(), RATE) == pytest.approx(-22.7, abs=0.01)
    assert trim["because"].count("13.2") == trim["because"].count("8.5") == 1


def test_six_db_doubles(make_song: SongMaker) -> None:
    """+6.0206 dB on 0.25 gives 0.5000 (worked arithmetic: 20 log10 2), by two steps of 3.0103 dB."""
    song = make_song('[target]\nrule = "peak"\nlevel_db = -6.0\nstep_db = 3.0103\ntolerance_db = 0.0\n')
    song.put("quarter.wav", np.tile([0.25, 0.0, -0.25, 0.0], RATE // 4), RATE, DOUBLE)
    assert song.outcome("quarter.wav")["trim"]["gain_db"] == pytest.approx(6.0206, abs=1e-9)
    assert np.abs(song.copy("quarter.wav").samples()[::2]) == pytest.approx(0.5, abs=1e-6)


def test_down_and_up_again_is_the_original_to_the_last_digits(make_song: SongMaker) -> None:
    """-6 then +6 dB in 64-bit float is within 1e-15 of the original, yet not it (arithmetic of doubles)."""
    signal = reference_levels.linear(-6.0) * np.cos(2 * np.pi * 997 * np.arange(-10_000, 10_000) / RATE)
    down = make_song('[target]\nrule = "peak"\nlevel_db = -12.0\ntolerance_db = 0.0\n', name="down")
    up = make_song('[target]\nrule = "peak"\nlevel_db = -6.0\ntolerance_db = 0.0\n', name="up")
    down.put("tone.wav", signal, RATE, DOUBLE)
    assert down.outcome("tone.wav")["trim"]["gain_db"] == -6.0
    (up.inbox / "tone.wav").write_bytes((down.outbox / "tone.wav").read_bytes())
    assert up.outcome("tone.wav")["trim"]["gain_db"] == 6.0
    back = up.copy("tone.wav").samples()[:, 0]
    assert np.abs(back / signal - 1).max() <= 1e-15
    assert (back != signal).any()


def _dither_error(song: Song, name: str) -> np.ndarray:
    """The copy less the original times the gain, in LSB."""
    gain = reference_levels.linear(song.sidecar(name)["trim"]["gain_db"])
    return song.copy(name).codes() - song.original(name).codes() * gain


def test_dither_error_is_half_an_lsb(song: Song) -> None:
    """A 0.3-peak sine on 16 bit: error RMS 0.500 LSB +-1 %, mean 0 (theory of nonsubtractive dither, TPDF)."""
    song.put("tone.wav", 0.3 * np.sin(2 * np.pi * 997 * np.arange(10 * RATE) / RATE), RATE, PCM_16)
    outcome = song.outcome("tone.wav")
    assert outcome["trim"]["gain_db"] == -7.6
    assert outcome["copy"]["dither"] == "tpdf"
    error = _dither_error(song, "tone.wav")
    assert float(np.sqrt((error**2).mean())) == pytest.approx(0.5, rel=0.01)
    assert abs(float(error.mean())) <= 4 * 0.5 / np.sqrt(error.size)


def test_without_dither_the_error_is_that_of_rounding(make_song: SongMaker) -> None:
    """With dither "none" no sample is further than half an LSB from its value: error RMS 0.289 LSB (1/sqrt 12)."""
    song = make_song('[copy]\ndither = "none"\n')
    song.put("tone.wav", 0.3 * np.sin(2 * np.pi * 997.3 * np.arange(10 * RATE) / RATE), RATE, PCM_16)
    assert song.outcome("tone.wav")["copy"]["dither"] == "none"
    error = _dither_error(song, "tone.wav")
    assert np.abs(error).max() <= 0.5 + 1e-9
    assert float(np.sqrt((error**2).mean())) == pytest.approx(0.2887, rel=0.01)


@pytest.mark.parametrize("kind", [PCM_16, PCM_24, FLOAT], ids=lambda kind: kind.name)
def test_digital_silence_is_copied_bit_for_bit(song: Song, kind: Any) -> None:
    """Silence has no level and gets no gain: null, `silent`, trim 0, the original's bytes (the logarithm of 0)."""
    song.put("nothing.wav", np.zeros((RATE, 2)), RATE, kind)
    outcome = song.outcome("nothing.wav")
    assert outcome["trim"]["decided_by"] == "silent"
    assert (outcome["trim"]["gain_db"], outcome["trim"]["wanted_gain_db"]) == (0.0, None)
    assert [finding["code"] for finding in outcome["findings"]] == ["silent"]
    assert outcome["verdict"] == "usable"
    assert (song.outbox / "nothing.wav").read_bytes() == (song.inbox / "nothing.wav").read_bytes()


def test_sound_under_the_gate_is_too_quiet_to_measure(song: Song) -> None:
    """No block above -70 dBFS: average null, `silent`, trim 0, said in words (ITU-R BS.1770 absolute gate)."""
    song.put("faint.wav", sine(400, -75.0, 2), RATE, PCM_24)
    outcome = song.outcome("faint.wav")
    assert outcome["levels"]["average_dbfs"] is None
    assert outcome["levels"]["sample_peak_dbfs"] == pytest.approx(-75.0, abs=0.01)
    assert outcome["trim"]["decided_by"] == "silent"
    assert outcome["copy"]["bit_identical"] is True
    assert "oo quiet to measure" in outcome["findings"][0]["says"]


def test_a_sound_shorter_than_a_block_is_one_block(song: Song) -> None:
    """Under 400 ms a file counts as one block of its own length, is staged, and the sidecar says so in words."""
    song.put("stab.wav", sine(400, -30.0, 0.2), RATE, PCM_24)
    outcome = song.outcome("stab.wav")
    assert outcome["levels"]["average_dbfs"] == pytest.approx(-30.0, abs=0.01)
    assert outcome["levels"]["loudness_lufs"] is None
    assert outcome["trim"]["gain_db"] == pytest.approx(12.0, abs=1e-9)
    sentences = [outcome["trim"]["because"], *(finding["says"] for finding in outcome["findings"])]
    assert any("short" in sentence for sentence in sentences)
