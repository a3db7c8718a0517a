"""Other people's readers agree on copies: sox, ffmpeg and libsndfile on samples, ffprobe and wavinfo on what is around.

Each reader is asked only for what it can read: sox not for BW64, 20 bits in 24 and float W64, libsndfile not for BW64
nor for RF64 with odd chunks before its samples. Both of these two take a W64 file's padding, and chunks behind its
samples, for samples, in originals and copies alike: there, only as many frames as there are get compared.
"""

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import wavinfo

from tests.roundtrip.originals import LABELS, LATE, MARKS, OLD_LINE, RATE, originals
from tests.support import layouts
from tests.support.command import HUNG_S
from tests.support.song import Song
from tests.support.wavefile import Array, Wave

ORIGINALS = originals()
SOX = [name for name in ORIGINALS if not name.endswith(".bw64") and name not in ("surround.wav", "float.w64")]
SNDFILE = [name for name in ORIGINALS if not name.endswith((".bw64", ".rf64"))]
STAMPED = ("bext_v0.wav", "bext_v1.wav", "bext_v2.wav", "bext_behind.wav", "markers.wav")
needs_sox = pytest.mark.skipif(shutil.which("sox") is None, reason="sox is not installed")
needs_ffmpeg = pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")


def run(*line: str | Path) -> bytes:
    """Run a tool and give what it prints."""
    done = subprocess.run(line, capture_output=True, timeout=HUNG_S, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


def probed(path: Path, what: str) -> Any:
    """Ask ffprobe."""
    return json.loads(run("ffprobe", "-v", "error", what, "-of", "json", path))


def ours(path: Path) -> Wave:
    """Read a copy by struct alone."""
    return layouts.read(path).wave


def as_int32(wave: Wave) -> Array:
    """Return integer codes in the high bits of 32."""
    return wave.codes() << (32 - wave.kind.valid_bits)


def _as_many(found: Array, wave: Wave) -> Array:
    """Return as many frames as the file has; only behind unaligned W64 audio may a reader have found more."""
    frames = len(wave.samples())
    given = found.reshape(-1, wave.channels)
    assert len(given) == frames or wave.payload(b"data")[8 * (len(wave.payload(b"data")) // 8) :]
    return given[:frames]


def agree(raw: bytes, wave: Wave, dtype: str) -> None:
    """See that raw samples from another reader are a copy's, to the bit."""
    found = _as_many(np.frombuffer(raw, dtype), wave)
    expected = wave.samples().astype(dtype) if wave.kind.is_float else as_int32(wave)
    assert np.array_equal(found, expected)


@needs_sox
@pytest.mark.parametrize("name", SOX)
def test_sox_reads_the_same_samples(copies: Song, name: str) -> None:
    """Every sample as sox reads it: integers whole in 32 bits, floats within its own 32-bit integers."""
    wave = ours(copies.outbox / name)
    raw = run("sox", "-D", "-V1", *_sox_type(name), copies.outbox / name, "-t", "raw", "-e", "signed", "-b", "32", "-")
    if not wave.kind.is_float:
        agree(raw, wave, "<i4")
        return
    found = _as_many(np.frombuffer(raw, "<i4"), wave)
    assert np.abs(found - wave.samples() * 2.0**31).max() <= 1.0


def _sox_type(name: str) -> tuple[str, ...]:
    return ("-t", "w64") if name.endswith(".w64") else ("-t", "wav")


@needs_ffmpeg
@pytest.mark.parametrize("name", ORIGINALS)
def test_ffmpeg_reads_the_same_samples(copies: Song, name: str) -> None:
    """Every sample as ffmpeg reads it, in all four forms of the family, to the bit."""
    wave = ours(copies.outbox / name)
    to, dtype = ("f64le", "<f8") if wave.kind.is_float else ("s32le", "<i4")
    agree(run("ffmpeg", "-v", "error", "-i", copies.outbox / name, "-f", to, "-"), wave, dtype)


@pytest.mark.parametrize("name", SNDFILE)
def test_libsndfile_reads_the_same_samples(copies: Song, name: str) -> None:
    """Every sample as libsndfile reads it, to the bit; rate and frames with them."""
    wave = ours(copies.outbox / name)
    dtype = "float64" if wave.kind.is_float else "int32"
    found, rate_hz = soundfile.read(copies.outbox / name, dtype=dtype, always_2d=True)
    assert rate_hz == RATE
    assert np.array_equal(_as_many(found, wave), wave.samples() if wave.kind.is_float else as_int32(wave))


@needs_ffmpeg
@pytest.mark.parametrize("name", [*STAMPED[:3], "markers.wav", "wide.rf64"])
def test_ffprobe_finds_the_time_stamp(copies: Song, name: str) -> None:
    """Time stamp above 2^32, description, originator and history as ffprobe reads them."""
    before, after = (
        probed(folder / name, "-show_format")["format"]["tags"] for folder in (copies.inbox, copies.outbox)
    )
    assert after["time_reference"] == str(LATE)
    assert after["comment"] == "A part of an invented song"
    lines = after.pop("coding_history").split("\r\n")
    assert before.pop("coding_history", "").split("\r\n")[:-1] == lines[:-2]
    assert lines[-2].startswith(f"A=PCM,F={RATE}")
    assert {k: v for k, v in after.items() if k != "umid"} == {k: v for k, v in before.items() if k != "umid"}


@pytest.mark.parametrize("name", STAMPED)
def test_wavinfo_finds_the_time_stamp(copies: Song, name: str) -> None:
    """All of bext as wavinfo reads it: equal to the original's but for its history and, in version 2, its loudness."""
    before, after = (wavinfo.WavInfoReader(str(folder / name)).bext for folder in (copies.inbox, copies.outbox))
    assert after.time_reference == LATE
    told = {name for name in before.to_dict() if "loudness" in name or name == "max_true_peak"} | {"coding_history"}
    assert {k: v for k, v in after.to_dict().items() if k not in told} == {
        k: v for k, v in before.to_dict().items() if k not in told
    }
    assert after.coding_history.startswith(before.coding_history)
    assert after.coding_history.count("\n") == before.coding_history.count("\n") + 1


def test_wavinfo_finds_the_loudness(copies: Song) -> None:
    """The measured figures as wavinfo reads them: loudness moved by the gain, within rounding and gates."""
    after = wavinfo.WavInfoReader(str(copies.outbox / "bext_v2.wav")).bext
    levels = copies.sidecar("bext_v2.wav")
    raised = levels["levels"]["loudness_lufs"] + levels["trim"]["gain_db"]
    assert after.loudness_value == pytest.approx(raised, abs=0.02)
    assert after.max_true_peak == pytest.approx(levels["copy"]["true_peak_dbtp"], abs=0.006)


def test_wavinfo_finds_the_markers(copies: Song) -> None:
    """Cue points, labels, note, length and loop as wavinfo reads them are the original's."""
    before, after = (wavinfo.WavInfoReader(str(folder / "markers.wav")) for folder in (copies.inbox, copies.outbox))
    assert [cue.sample_offset for cue in after.cues.cues] == list(MARKS)
    assert [label.text for label in after.cues.labels] == [label.decode() for label in LABELS]
    for field in ("cues", "labels", "ranges", "notes"):
        assert getattr(after.cues, field) == getattr(before.cues, field)
    assert after.smpl.to_dict() == before.smpl.to_dict()


@needs_ffmpeg
def test_ffprobe_finds_the_markers(copies: Song) -> None:
    """Markers as ffprobe's chapters: the places and names of the original."""
    chapters = probed(copies.outbox / "markers.wav", "-show_chapters")["chapters"]
    assert [(chapter["start"], chapter["tags"]["title"].encode()) for chapter in chapters] == list(
        zip(MARKS, LABELS, strict=True)
    )


def test_wavinfo_finds_the_ixml(copies: Song) -> None:
    """The iXML as wavinfo reads it: the scene is there, with loudness taken out as well as where there was none."""
    for name in ("ixml.wav", "ixml_loud.wav"):
        assert wavinfo.WavInfoReader(str(copies.outbox / name)).ixml.scene == "1"


def test_old_history_is_first(copies: Song) -> None:
    """The line that was there stays before the one that is added (EBU R 98), as wavinfo reads it."""
    lines = wavinfo.WavInfoReader(str(copies.outbox / "bext_v1.wav")).bext.coding_history.splitlines()
    assert lines[0] == OLD_LINE.decode().strip()
    assert lines[1].startswith("A=PCM")
