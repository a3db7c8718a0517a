"""Copies against their originals: one gain, and nothing else."""

import hashlib
import struct
from typing import Any

import numpy as np
import pytest

from tests.support import reference_levels, wavefile
from tests.support.command import Command
from tests.support.signals import band_limited_noise
from tests.support.song import Song, SongMaker
from tests.support.wavefile import DOUBLE, FLOAT, KINDS, PCM_16, PCM_24, PCM_32, Chunks, Kind

TOML = '[target]\nrule = "peak"\nlevel_db = -9.3\ntolerance_db = 0.0\nmax_boost_db = 40.0\ni_mean_it = true\n'
CHANNELS = (1, 2, 3, 6, 8, 32)
RATES = (8_000, 11_025, 22_050, 44_100, 48_000, 88_200, 96_000, 192_000)
CASES = {
    f"{kind.name.replace(' ', '_')}_{channels}ch_{rate}.wav": (kind, channels, rate)
    for i, kind in enumerate(KINDS)
    for j, channels in enumerate(CHANNELS)
    for rate in [RATES[(i + 3 * j) % len(RATES)]]
}


@pytest.fixture(scope="module")
def copies(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """An original of every encoding and channel count, at every rate, staged in one run."""
    song = Song.made(stager, tmp_path_factory.mktemp("copies") / "song", TOML)
    rng = np.random.default_rng(24)
    for name, (kind, channels, rate) in CASES.items():
        loudness = rng.choice([0.02, 0.5])
        song.put(name, loudness * rng.uniform(-1, 1, (rate // 10 + 7, channels)), rate, kind)
    assert song.stage().code == 0
    return song


@pytest.mark.parametrize("name", CASES)
def test_the_stream_of_a_copy_is_that_of_its_original(copies: Song, name: str) -> None:
    """Format chunk byte for byte, frames, length and RIFF size stay (RIFF: the size counts all bytes behind it)."""
    original, copy = copies.original(name), copies.copy(name)
    assert copy.payload(b"fmt ") == original.payload(b"fmt ")
    assert copy.names == original.names
    assert copy.file_bytes == original.file_bytes == copy.riff_size + 8
    assert copies.sidecar(name)["trim"]["gain_db"] != 0.0


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if not case[0].is_float])
def test_integer_samples_are_the_gain_and_dither(copies: Song, name: str) -> None:
    """Each sample is gain times original, moved by no more than 1.5 LSB: 1 of dither, 0.5 of rounding (arithmetic)."""
    gain = reference_levels.linear(copies.sidecar(name)["trim"]["gain_db"])
    off = copies.copy(name).codes() - copies.original(name).codes() * gain
    assert np.abs(off).max() <= 1.5
    assert np.abs(off).max() > 0.5, "no dither at all"
    assert abs(off.mean()) <= 5 * 0.5 / np.sqrt(off.size)


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if case[0].is_float])
def test_float_samples_are_the_gain_alone(copies: Song, name: str) -> None:
    """Each float sample is gain times original, rounded once to its own precision; no dither (IEEE 754)."""
    kind = CASES[name][0]
    gain = reference_levels.linear(copies.sidecar(name)["trim"]["gain_db"])
    expected = (copies.original(name).samples() * gain).astype("<f4" if kind == FLOAT else "<f8")
    assert copies.copy(name).payload(b"data") == expected.tobytes()
    assert copies.sidecar(name)["copy"]["dither"] == "none"


def test_spare_bits_of_a_wider_container_stay_empty(copies: Song) -> None:
    """20 valid bits in 24 are dithered on the grid of 20 bits: the four spare bits of every sample are 0."""
    names = [name for name, case in CASES.items() if case[0].valid_bits == 20]
    assert names
    for name in names:
        raw = np.frombuffer(copies.copy(name).payload(b"data"), np.uint8)
        assert not (raw[::3] & 0x0F).any()


def test_channels_are_dithered_apart(make_song: SongMaker) -> None:
    """Two channels that differ get two dithers, which do not correlate (nonsubtractive dither: independent)."""
    song = make_song(TOML)
    part = 0.1 * np.sin(2 * np.pi * 441 * np.arange(48_000) / 48_000)
    song.put("twice.wav", np.column_stack((part, -part)), kind=PCM_16)
    gain = reference_levels.linear(song.outcome("twice.wav")["trim"]["gain_db"])
    off = song.copy("twice.wav").codes() - song.original("twice.wav").codes() * gain
    assert abs(np.corrcoef(off.T)[0, 1]) <= 5 / np.sqrt(len(off))


def test_float_peaks_over_full_scale_come_back_whole(make_song: SongMaker) -> None:
    """A float original over full scale is not clipped: the copy holds every sample, under the ceiling."""
    song = make_song()
    hot = 3.7 * np.sin(2 * np.pi * 441 * np.arange(48_000) / 48_000)
    song.put("hot.wav", hot, kind=FLOAT)
    outcome = song.outcome("hot.wav")
    gain = reference_levels.linear(outcome["trim"]["gain_db"])
    assert song.copy("hot.wav").samples()[:, 0] == pytest.approx(hot * gain, rel=1e-6, abs=1e-9)
    assert [finding["code"] for finding in outcome["findings"]] == ["over_full_scale"]
    assert outcome["verdict"] == "listen"


@pytest.mark.parametrize("kind", [PCM_16, PCM_24, PCM_32], ids=lambda kind: kind.name)
def test_a_full_scale_ceiling_clips_nothing(make_song: SongMaker, kind: Kind) -> None:
    """Raised to a ceiling of 0 dBTP, dither pushes no sample past the top code: 2.5 LSB of room (arithmetic)."""
    song = make_song('[target]\nrule = "peak"\nlevel_db = 0.0\nceiling_dbtp = 0.0\nstep_db = 0.001\n')
    song.put("square.wav", np.repeat([0.5, -0.5] * 200, 60), kind=kind)
    song.put("low.wav", 0.25 * np.sin(2 * np.pi * 100 * np.arange(48_000) / 48_000), kind=kind)
    outcomes = song.outcomes()
    for name in ("square.wav", "low.wav"):
        off = song.copy(name).codes() - song.original(name).codes() * reference_levels.linear(
            outcomes[name]["trim"]["gain_db"]
        )
        assert outcomes[name]["trim"]["gain_db"] > 0.0
        assert np.abs(off).max() <= 1.5


def test_the_same_stem_gives_the_same_copy_anywhere(make_song: SongMaker) -> None:
    """Two fresh projects give byte-identical copies, whatever else lies beside the stem, and whatever --jobs says."""
    rng = np.random.default_rng(7)
    part = 0.05 * rng.uniform(-1, 1, (300_011, 2))
    first, second = make_song(TOML, name="first"), make_song(TOML, name="second")
    for song in (first, second):
        song.put("part.wav", part, kind=PCM_16)
    second.put("another.wav", part[::-1], kind=PCM_16)
    first.stage("--jobs", "1")
    second.stage("--jobs", "4")
    assert (first.outbox / "part.wav").read_bytes() == (second.outbox / "part.wav").read_bytes()


def test_long_silence_stays_silence(make_song: SongMaker) -> None:
    """1,024 zero frames or more of a channel stay exact zeros; shorter pauses belong to the part and are dithered."""
    song = make_song(TOML)
    rng = np.random.default_rng(3)
    part = 0.1 * rng.uniform(0.2, 1, (200_000, 2)) * rng.choice([-1, 1], (200_000, 2))
    part[50_000:51_024, 0] = 0.0
    part[50_000:51_023, 1] = 0.0
    part[130_000:, 1] = 0.0
    song.put("pauses.wav", part, kind=PCM_16)
    song.stage()
    codes = song.copy("pauses.wav").codes()
    assert not codes[50_000:51_024, 0].any()
    assert not codes[130_000:, 1].any()
    assert codes[50_000:51_023, 1].any()
    assert np.abs(codes[50_000:51_023, 1]).max() <= 1


BEXT_V1 = b"A take of an invented song".ljust(346, b"\0") + b"\x01\0" + bytes(254) + b"A=PCM,F=48000\r\n"
BEXT_V2 = BEXT_V1[:346] + b"\x02\0" + bytes(64) + b"\xff\x7f" * 5 + bytes(180) + b"A=PCM,F=48000\r\n"
BEXT_V2_LOUD = BEXT_V2[:412] + b"\x27\xf7" * 5 + BEXT_V2[422:]
CUE = (1).to_bytes(4, "little") + bytes(20)
AROUND: dict[str, tuple[Chunks, Chunks]] = {
    "markers and texts behind": ((), ((b"cue ", CUE), (b"LIST", b"INFOINAM\x05\0\0\0lute\0\0"))),
    "unknown and odd": (((b"zzzz", b"odd"), (b"JUNK", bytes(28))), ((b"abcd", b"12345"),)),
    "odd at the very end": ((), ((b"note", b"x"),)),
    "texts of other tools": (((b"iXML", b"<BWFXML><SCENE>2</SCENE></BWFXML>"),), ((b"_PMX", b"<xmp/>"),)),
}
"""Chunks before and behind the samples that a change of level does not make untrue."""
STAMPS = {"version 1": BEXT_V1, "version 2, loudness not used": BEXT_V2, "version 2 with loudness": BEXT_V2_LOUD}


@pytest.fixture(scope="module")
def chunked(stager: Command, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """An original with each set of chunks and an odd number of bytes of samples, staged in one run."""
    song = Song.made(stager, tmp_path_factory.mktemp("chunks") / "song", TOML)
    part = band_limited_noise(np.random.default_rng(5), -25.0, 4_801)
    for name, (before, after) in AROUND.items():
        song.put(f"{name}.wav", part, before=before, after=after)
    for name, stamp in STAMPS.items():
        song.put(f"{name}.wav", part, before=((b"bext", stamp),))
    song.put("peak.wav", part, kind=FLOAT, before=((b"PEAK", bytes(16)),))
    song.put("envelope.wav", part, before=((b"levl", bytes(120)),))
    assert song.stage().code == 0
    return song


@pytest.mark.parametrize("name", AROUND)
def test_chunks_around_the_samples_are_carried(chunked: Song, name: str) -> None:
    """Known, unknown and odd chunks stay, byte for byte and in order, and the log names them (RIFF)."""
    original, copy = chunked.original(f"{name}.wav"), chunked.copy(f"{name}.wav")
    assert [chunk for chunk in copy.chunks if chunk[0] != b"data"] == [c for c in original.chunks if c[0] != b"data"]
    assert copy.names == original.names
    assert copy.riff_size + 8 == copy.file_bytes == original.file_bytes
    log = chunked.sidecar(f"{name}.wav")["copy"]["chunks"]
    assert {*log["kept"], *log["rewritten"]} >= {found.decode() for found in original.names}
    assert log["dropped"] == []


@pytest.mark.parametrize("name", STAMPS)
def test_a_time_stamp_is_carried_with_one_more_line(chunked: Song, name: str) -> None:
    """All fields of `bext` stay but loudness; the coding history gains one line (EBU Tech 3285 v2, R 98)."""
    original, copy = chunked.original(f"{name}.wav").payload(b"bext"), chunked.copy(f"{name}.wav").payload(b"bext")
    assert copy[:412] == original[:412]
    assert copy[422:].startswith(original[422:])
    more = copy[len(original) :].rstrip(b"\0")
    assert more.count(b"\r\n") == 1
    assert more.startswith(b"A=PCM,F=48000,")


def test_loudness_of_the_old_samples_is_not_passed_on(chunked: Song) -> None:
    """Loudness fields hold what the copy measures, in hundredths, or 7FFFh, not used (EBU Tech 3285 v2)."""
    copy = chunked.copy("version 2 with loudness.wav")
    fields = struct.unpack_from("<5h", copy.payload(b"bext"), 412)
    assert fields[2] / 100 == pytest.approx(reference_levels.true_peak_dbtp(copy.samples()), abs=0.055)
    assert (fields[0], fields[1], fields[3], fields[4]) == (0x7FFF,) * 4, "0.1 s has no loudness"


def test_loudness_that_was_not_used_stays_so(chunked: Song) -> None:
    """Where the original tells nothing of its loudness, its copy does not begin to: it differs in level alone."""
    payload = chunked.copy("version 2, loudness not used.wav").payload(b"bext")
    assert struct.unpack_from("<5h", payload, 412) == (0x7FFF,) * 5


def test_peaks_of_the_old_samples_are_not_passed_on(chunked: Song) -> None:
    """A PEAK chunk holds the copy's own peak and its place; a peak envelope is dropped; the log says both."""
    copy, log = chunked.copy("peak.wav"), chunked.sidecar("peak.wav")["copy"]["chunks"]
    _, _, peak, place = struct.unpack("<IIfI", copy.payload(b"PEAK"))
    samples = np.abs(copy.samples()[:, 0])
    assert (peak, place) == (pytest.approx(samples.max(), rel=1e-6), samples.argmax())
    assert "PEAK" in log["rewritten"]
    assert copy.riff_size + 8 == copy.file_bytes
    assert chunked.copy("envelope.wav").names == [b"fmt ", b"data"]
    assert chunked.sidecar("envelope.wav")["copy"]["chunks"]["dropped"] == ["levl"]


def test_pad_bytes_are_carried_whatever_they_hold(make_song: SongMaker) -> None:
    """A pad byte that is not 0, and bytes behind the last chunk, are carried too (RIFF asks for 0; files differ)."""
    song = make_song(TOML)
    fmt = wavefile.chunk(b"fmt ", wavefile.fmt_chunk(PCM_16, 48_000, 1))
    body = fmt + wavefile.chunk(b"abcd", b"odd", pad=b"\x7f")
    body += wavefile.chunk(b"data", wavefile.pack(0.1 * np.sin(np.arange(9_600.0)), PCM_16))
    (song.inbox / "pads.wav").write_bytes(wavefile.with_riff_header(body))
    song.stage()
    assert song.copy("pads.wav").pads == song.original("pads.wav").pads
    assert b"\x7f" in song.copy("pads.wav").pads


def test_with_no_trim_even_stale_chunks_stay(song: Song) -> None:
    """Trim 0 copies the file as a whole: every chunk, every byte (the peaks in it still hold)."""
    tone = reference_levels.linear(-18) * np.sin(2 * np.pi * 441 * np.arange(48_000) / 48_000)
    song.put("same.wav", tone, kind=FLOAT, before=((b"PEAK", bytes(16)),), after=((b"zzzz", b"odd"),))
    copy = song.outcome("same.wav")["copy"]
    assert (song.outbox / "same.wav").read_bytes() == (song.inbox / "same.wav").read_bytes()
    assert (copy["bit_identical"], copy["dither"], copy["chunks"]["dropped"]) == (True, "none", [])


def test_the_log_holds_the_hashes_of_both_files(copies: Song) -> None:
    """Source and copy hashes in the sidecar are those of the files on disk (SHA-256 by hashlib)."""
    for name in CASES:
        sidecar: dict[str, Any] = copies.sidecar(name)
        for path, logged in ((copies.inbox / name, sidecar["source"]), (copies.outbox / name, sidecar["copy"])):
            assert hashlib.sha256(path.read_bytes()).hexdigest() == logged["sha256"]
            assert (copies.folder / logged["path"]) == path


def test_copies_are_files_that_others_open(copies: Song) -> None:
    """Another reader of the format finds the same samples in a copy as our own struct code (libsndfile)."""
    soundfile = pytest.importorskip("soundfile")
    for name, (kind, channels, rate) in CASES.items():
        samples, found_rate = soundfile.read(copies.outbox / name, always_2d=True)
        assert (found_rate, samples.shape[1]) == (rate, channels)
        tolerance = 0.0 if kind == DOUBLE else 2.0**-23
        assert np.abs(samples - copies.copy(name).samples()).max() <= tolerance
