"""The song: ten stems, each with its own fault, and the levels that decide their trims."""

import hashlib
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from stager.demo.song import SONG, header_bytes, part_named, render, wav_bytes
from stager.demo.synthesis import CODE_MAX, Codes, Sound
from stager.units import db_from_linear, dbfs_rms_from_power, linear_from_db, power_from_dbfs_rms

Rendered = Callable[[str], Codes]

_STEMS = Path(__file__).parents[2] / "demo_stems"
_NAMES = [part.name for part in SONG]
_FULL_SCALE = CODE_MAX + 1
_MARGIN_DB = 0.3


def _floats(codes: Codes) -> Sound:
    return codes / float(_FULL_SCALE)


def _db(level: float | None) -> float:
    assert level is not None
    return level


def _block_powers(channel: Sound) -> Sound:
    """Mean squares of 400 ms blocks, a quarter apart."""
    centred = channel - channel.mean()
    blocks = np.lib.stride_tricks.sliding_window_view(centred, 19_200)[::4_800]
    return np.asarray(np.mean(blocks**2, axis=1))


def _gated(channel: Sound) -> tuple[float, float]:
    """The average in dBFS of a sine, and the share of blocks that gave it."""
    powers = _block_powers(channel)
    heard = powers[powers >= power_from_dbfs_rms(-70.0)]
    kept = heard[heard >= heard.mean() / 10.0]
    return _db(dbfs_rms_from_power(float(kept.mean()))), kept.size / powers.size


def _average_dbfs(codes: Codes) -> float:
    return max(_gated(channel)[0] for channel in _floats(codes).T)


def _sample_peak_dbfs(codes: Codes) -> float:
    return _db(db_from_linear(float(np.abs(_floats(codes)).max())))


def _true_peak_dbtp(codes: Codes) -> float:
    """The peak of the stem at eight times its rate, interpolated over its whole spectrum."""
    spectra = np.fft.rfft(_floats(codes), axis=0)
    return _db(db_from_linear(float(np.abs(np.fft.irfft(spectra, 8 * codes.shape[0], axis=0)).max()) * 8.0))


def _pcm24(data: bytes, channels: int) -> Codes:
    octets = np.frombuffer(data, dtype=np.uint8).reshape(-1, 3).astype(np.int32)
    codes = octets[:, 0] | (octets[:, 1] << 8) | (octets[:, 2] << 16)
    return np.asarray(np.where(codes > CODE_MAX, codes - 2 * _FULL_SCALE, codes).reshape(-1, channels))


def test_the_song_has_ten_parts_with_names_and_seeds_of_their_own() -> None:
    """No two stems share a name or a seed, and each says what it is and what is wrong with it."""
    assert len(SONG) == len({part.name for part in SONG}) == len({part.seed for part in SONG}) == 10
    assert all(part.what.endswith(".") and part.wrong for part in SONG)


def test_an_unknown_part_is_refused() -> None:
    """Asking for a part that the song lacks is a KeyError with its name."""
    with pytest.raises(KeyError, match="kazoo"):
        part_named("kazoo.wav")


@pytest.mark.parametrize("name", _NAMES)
def test_the_stems_beside_the_package_are_what_the_code_renders(name: str, rendered: Rendered) -> None:
    """Each file in demo_stems is the render to the bit, or within 2 codes where numpy's own rounding has changed."""
    header, audio = wav_bytes(rendered(name))
    stored = (_STEMS / name).read_bytes()
    if hashlib.sha256(stored).digest() != hashlib.sha256(header + audio).digest():
        assert stored[: len(header)] == header, f"{name}: another header; write demo_stems anew"
        apart = np.abs(_pcm24(stored[len(header) :], rendered(name).shape[1]) - rendered(name)).max()
        assert apart <= 2, f"{name}: up to {apart} codes from the render; its synthesis has changed, write it anew"


@pytest.mark.parametrize("name", ["voice_lead.wav", "fiddle_double_2.wav", "lute.wav"])
def test_a_second_render_is_the_same_to_the_bit(name: str, rendered: Rendered) -> None:
    """Nothing random is left from one render to the next."""
    assert np.array_equal(render(part_named(name)), rendered(name))


@pytest.mark.parametrize("name", _NAMES)
def test_every_stem_lasts_8_s_on_the_24_bit_grid(name: str, rendered: Rendered) -> None:
    """Stems are (384000, 1 or 2) codes of 24 bits at 48 kHz."""
    codes = rendered(name)
    assert codes.dtype == np.int32
    assert codes.shape in {(384_000, 1), (384_000, 2)}
    assert -_FULL_SCALE <= codes.min() < 0 < codes.max() <= CODE_MAX


def test_mono_and_stereo_are_mixed(rendered: Rendered) -> None:
    """Seven stems have one channel and three have two."""
    assert sorted(rendered(name).shape[1] for name in _NAMES) == [1] * 7 + [2] * 3


def test_the_header_describes_what_follows(rendered: Rendered) -> None:
    """The 44 bytes are RIFF, `fmt ` with tag 1 and 24 bits, and `data`, with sizes that fit the file."""
    header, audio = wav_bytes(rendered("lute.wav"))
    fields = struct.unpack("<4sI4s4sIHHIIHH4sI", header)
    assert fields[:3] == (b"RIFF", 36 + len(audio), b"WAVE")
    assert fields[3:11] == (b"fmt ", 16, 1, 2, 48_000, 288_000, 6, 24)
    assert fields[11:] == (b"data", 384_000 * 6)
    assert np.array_equal(_pcm24(audio, 2), rendered("lute.wav"))


def test_odd_audio_is_padded() -> None:
    """An odd number of audio bytes is followed by one more, which the data size leaves out and the RIFF size counts."""
    header, audio = wav_bytes(np.array([[1], [-1], [2]], dtype=np.int32))
    assert audio == b"\x01\0\0\xff\xff\xff\x02\0\0\0"
    assert header == header_bytes(1, 48_000, 9)
    assert struct.unpack("<I", header[4:8]) == (36 + 10,)


_DECIDED_BY = {
    "harmonium_L.wav": "target",
    "harmonium_R.wav": "target",
    "fiddle_main.wav": "tolerance",
    "fiddle_double.wav": "target",
    "fiddle_double_2.wav": "target",
    "voice_lead.wav": "target",
    "voice_hum.wav": "boost_limit",
    "lute.wav": "ceiling",
    "tabla.wav": "target",
    "drone.wav": "target",
}


def _holds(decided_by: str, wanted_db: float, ceiling_allows_db: float) -> bool:
    """Return whether this limit decides with room to every boundary: tolerance 1 dB, boost 18 dB."""
    room = _MARGIN_DB
    if decided_by == "tolerance":
        return abs(wanted_db) < 1.0 - room and ceiling_allows_db > room
    if decided_by == "target":
        return abs(wanted_db) > 1.0 + room and wanted_db < min(ceiling_allows_db, 18.0) - room
    if decided_by == "ceiling":
        return ceiling_allows_db < min(wanted_db, 18.0) - room
    return min(wanted_db, ceiling_allows_db) - room > 18.0


@pytest.mark.parametrize("name", _NAMES)
def test_the_limit_that_decides_each_stem_is_beyond_doubt(name: str, rendered: Rendered) -> None:
    """Average -18 dBFS, hand drums by peak at -10, ceiling -3 dBTP: what decides a trim does so by 0.3 dB or more."""
    codes = rendered(name)
    wanted_db = -10.0 - _sample_peak_dbfs(codes) if name == "tabla.wav" else -18.0 - _average_dbfs(codes)
    ceiling_allows_db = -3.0 - _true_peak_dbtp(codes)
    assert _holds(_DECIDED_BY[name], wanted_db, ceiling_allows_db), (wanted_db, ceiling_allows_db)


def _runs_at_full_scale(codes: Codes) -> list[int]:
    at_top = np.concatenate([[0], ((codes == CODE_MAX) | (codes == -_FULL_SCALE)).astype(np.int8), [0]])
    edges = np.flatnonzero(np.diff(at_top))
    return [int(run) for run in edges[1::2] - edges[::2]]


def test_the_lead_voice_is_clipped(rendered: Rendered) -> None:
    """Its tops are flat at full scale, in both directions and in many long runs."""
    codes = rendered("voice_lead.wav")[:, 0]
    assert (codes.max(), codes.min()) == (CODE_MAX, -_FULL_SCALE)
    assert sum(run >= 8 for run in _runs_at_full_scale(codes)) > 50


@pytest.mark.parametrize("name", [name for name in _NAMES if name != "voice_lead.wav"])
def test_no_other_stem_reaches_full_scale(name: str, rendered: Rendered) -> None:
    """Only one stem is clipped; no other has a single sample at full scale."""
    assert _runs_at_full_scale(rendered(name).reshape(-1)) == []


def test_the_drone_is_hot_and_whole(rendered: Rendered) -> None:
    """Its peak is half a decibel under full scale and its average around -9 dBFS."""
    assert _sample_peak_dbfs(rendered("drone.wav")) == pytest.approx(-0.5, abs=0.1)
    assert _average_dbfs(rendered("drone.wav")) == pytest.approx(-9.0, abs=0.5)


def test_the_humming_voice_is_far_too_quiet(rendered: Rendered) -> None:
    """Its average is around -42 dBFS."""
    assert _average_dbfs(rendered("voice_hum.wav")) == pytest.approx(-42.0, abs=0.5)


def test_the_lute_is_sparse(rendered: Rendered) -> None:
    """It plays through less than 60 % of the stem, with more than 3 s near its floor."""
    codes = rendered("lute.wav")
    quiet = _block_powers(_floats(codes)[:, 0]) < power_from_dbfs_rms(-57.0)
    assert max(_gated(channel)[1] for channel in _floats(codes).T) < 0.6
    assert quiet.sum() * 0.1 > 3.0


def test_the_hand_drums_are_mono_in_stereo(rendered: Rendered) -> None:
    """Both channels of the tabla hold the same codes; those of lute and drone differ."""
    assert np.array_equal(*rendered("tabla.wav").T)
    assert not np.array_equal(*rendered("lute.wav").T)
    assert not np.array_equal(*rendered("drone.wav").T)


def test_the_false_double_is_the_first_fiddle_moved(rendered: Rendered) -> None:
    """Shifted back by 12 ms and raised by 1 dB, it is the first fiddle to within its dither."""
    first, copy = rendered("fiddle_main.wav")[:-576, 0], rendered("fiddle_double_2.wav")[576:, 0]
    assert np.abs(copy - first * linear_from_db(-1.0)).max() <= 2


def test_the_true_double_is_another_performance(rendered: Rendered) -> None:
    """No shift within 50 ms makes it resemble the first fiddle."""
    first, second = (_floats(rendered(name))[:, 0] for name in ("fiddle_main.wav", "fiddle_double.wav"))
    spectra = np.fft.rfft(first, 2 * first.size) * np.conj(np.fft.rfft(second, 2 * second.size))
    match = np.fft.irfft(spectra) / np.sqrt(np.sum(first**2) * np.sum(second**2))
    assert np.abs(np.concatenate([match[:2400], match[-2400:]])).max() < 0.5


@pytest.mark.parametrize(("name", "rest_s"), [("voice_lead.wav", 0.0), ("voice_hum.wav", 0.0), ("lute.wav", 3.0)])
def test_a_part_at_rest_leaves_the_room(name: str, rest_s: float, rendered: Rendered) -> None:
    """Where nobody plays, a fifth of a second lies between -85 and -65 dBFS: a room, not digital nothing."""
    start = round(rest_s * 48_000)
    rest = _floats(rendered(name))[start : start + 9_600, 0]
    assert -85.0 < _db(dbfs_rms_from_power(float(np.mean(rest**2)))) < -65.0
