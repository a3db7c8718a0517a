"""What a header says: the stream, and the time stamp of the first sample."""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stager.containers.facts import header_facts
from stager.errors import TruncatedStem, UnreadableStem
from stager.model import Encoding
from tests.support.folders import written
from tests.support.signals import white_noise
from tests.support.wavefile import format_of, wav


def bext(frames: int) -> bytes:
    """A broadcast extension with this time reference: low and high words at 338 (EBU Tech 3285)."""
    return bytes(338) + struct.pack("<II", frames & 0xFFFFFFFF, frames >> 32) + bytes(602 - 346)


@pytest.mark.parametrize("frames", [0, 1, 172_800_000, 4_665_600_000])
def test_time_stamp(tmp_path: Path, frames: int) -> None:
    """The count of frames since midnight is given whole, also beyond 32 bits (13:30:00 at 96 kHz: high 1)."""
    path = written(
        tmp_path / "a.wav", wav(white_noise(480), rate_hz=96_000, before=[(b"bext", bext(frames))]), age_s=9.0
    )
    assert header_facts(path).start_frames == frames


def test_no_time_stamp(tmp_path: Path) -> None:
    """A file without the chunk has no time stamp, which is not the same as 0."""
    assert header_facts(written(tmp_path / "a.wav", wav(white_noise(480)), age_s=9.0)).start_frames is None


def test_chunk_cut_short(tmp_path: Path) -> None:
    """A chunk that ends before the field has none either."""
    content = wav(white_noise(480), before=[(b"bext", bytes(340))])
    assert header_facts(written(tmp_path / "a.wav", content, age_s=9.0)).start_frames is None


def test_stream(tmp_path: Path) -> None:
    """Rate, depth, channels and length are those of the header, valid bits those of its long form."""
    plain = header_facts(written(tmp_path / "a.wav", wav(white_noise(441, 2), 16, 44_100), age_s=9.0)).info
    assert (plain.encoding, plain.valid_bits, plain.sample_rate_hz) == (Encoding.PCM_16, 16, 44_100)
    assert (plain.channels, plain.frames) == (2, 441)
    content = bytearray(wav(white_noise(480), 24))
    fmt = format_of(24, 1, valid_bits=20)
    long = content[:12] + b"fmt " + struct.pack("<I", len(fmt)) + fmt + content[36:]
    long[4:8] = struct.pack("<I", len(long) - 8)
    found = header_facts(written(tmp_path / "b.wav", bytes(long), age_s=9.0)).info
    assert (found.encoding, found.valid_bits, found.frames) == (Encoding.PCM_24, 20, 480)


@pytest.mark.parametrize("suffix", ["aiff", "flac", "caf"])
def test_other_containers(tmp_path: Path, suffix: str) -> None:
    """AIFF, FLAC and CAF have a stream and no time stamp."""
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, np.zeros((960, 1)), 48_000, "PCM_24")
    found = header_facts(path)
    assert (found.info.frames, found.info.valid_bits, found.start_frames) == (960, 24, None)


def test_what_is_no_audio_is_refused(tmp_path: Path) -> None:
    """A text under a stem's name is refused as everywhere."""
    with pytest.raises(UnreadableStem, match=r"a\.wav: expected WAV"):
        header_facts(written(tmp_path / "a.wav", b"no audio", age_s=9.0))


def test_what_is_not_whole_is_refused(tmp_path: Path) -> None:
    """A file that was cut short is refused as everywhere."""
    with pytest.raises(TruncatedStem, match=r"expected 0\.01 s"):
        header_facts(written(tmp_path / "a.wav", wav(white_noise(480))[:-300], age_s=9.0))


def test_the_file_is_left_as_it_is(tmp_path: Path) -> None:
    """Neither bytes nor times of the file change, and it need not be writable."""
    path = written(tmp_path / "a.wav", wav(white_noise(480)), age_s=9.0)
    path.chmod(0o400)
    before = path.stat()
    header_facts(path)
    after = path.stat()
    assert (after.st_mtime_ns, after.st_ctime_ns, after.st_size) == (
        before.st_mtime_ns,
        before.st_ctime_ns,
        before.st_size,
    )
