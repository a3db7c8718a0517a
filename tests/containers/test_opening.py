"""Opening a file of audio: the refusals with their sentences, and files that are cut or still growing."""

import os
import re
import struct
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from stager.containers import open_audio
from stager.errors import StemError, StillGrowingStem, TruncatedStem, UnreadableStem, UnsupportedStem
from tests.support.folders import written
from tests.support.wavefile import GUID_TAIL, format_of, integers, riff

AGE_S = 100.0

AUDIO = integers(range(48_000), 16)

FMT = format_of(16, 1)

WHOLE = riff(FMT, AUDIO)

at_rest = partial(open_audio, settle_s=1.0)


def patched(content: bytes, at: int, size: int) -> bytes:
    return content[:at] + struct.pack("<I", size) + content[at + 4 :]


OPEN_RIFF, OPEN_DATA = patched(WHOLE, 4, 0), patched(WHOLE, 40, 0)

REFUSED = {
    "empty": (b"", UnreadableStem, "found an empty file"),
    "text": (b"hello, this is a text", UnreadableStem, "expected WAV, RF64, .* found 'hello, this "),
    "other RIFF": (b"RIFF\x10\0\0\0AVI LIST", UnreadableStem, "expected WAV, RF64"),
    "Ogg": (b"OggS\0\2" + bytes(40), UnsupportedStem, "found Ogg, which is lossy"),
    "MP3": (b"ID3\x03" + bytes(40), UnsupportedStem, "found MP3, which is lossy"),
    "RF64 and no more": (b"RF64\xff\xff\xff\xffWAVE", UnreadableStem, "found 0 bytes"),
    "AIFF and no more": (b"FORM\0\0\0\0AIFF", UnreadableStem, "expected audio, the decoder found"),
    "FLAC and no more": (b"fLaC\0\0\0\x22", UnreadableStem, "expected audio, the decoder found"),
    "big-endian RIFF": (b"RIFX\0\0\0\0WAVE", UnsupportedStem, "found big-endian RIFF"),
    "no format chunk": (
        riff(FMT, AUDIO).replace(b"fmt ", b"junk"),
        UnreadableStem,
        "format chunk of 16 bytes or more, found 0",
    ),
    "short format chunk": (riff(FMT[:14], AUDIO), UnreadableStem, "format chunk of 16 bytes or more, found 14"),
    "0 frames": (riff(FMT, b""), UnreadableStem, "found a header with 0 frames"),
    "less than a frame": (riff(format_of(16, 2), b"\1\2"), UnreadableStem, "0 frames"),
    "0 channels": (riff(format_of(16, 0), AUDIO), UnreadableStem, "found 0 channels"),
    "samples in parts": (
        riff(format_of(16, 2)[:12] + b"\3\0\x10\0", AUDIO),
        UnreadableStem,
        "expected whole samples, found 2 channels in 3 bytes",
    ),
    "33 channels": (riff(format_of(16, 33), bytes(660)), UnsupportedStem, "1 to 32 channels, found 33"),
    "rate 0": (riff(format_of(16, 1, 0), AUDIO), UnsupportedStem, "1000 to 1000000 Hz, found 0 Hz"),
    "rate 999": (riff(format_of(16, 1, 999), AUDIO), UnsupportedStem, "found 999 Hz"),
    "8-bit": (riff(format_of(8, 1), AUDIO), UnsupportedStem, "found format tag 1 with 8 of 8 bits in 1 bytes"),
    "compressed": (riff(format_of(16, 1, tag=2), AUDIO), UnsupportedStem, "found format tag 2"),
    "64-bit integer": (riff(format_of(64, 1), AUDIO), UnsupportedStem, "found format tag 1 with 64 of 64 bits in 8"),
    "half float": (riff(format_of(16, 1, tag=3), AUDIO), UnsupportedStem, "found format tag 3 with 16"),
    "8 valid bits of 16": (riff(format_of(16, 1, valid_bits=8), AUDIO), UnsupportedStem, "8 of 16 bits"),
    "17 valid bits of 16": (riff(format_of(16, 1, valid_bits=17), AUDIO), UnsupportedStem, "17 of 16 bits"),
    "16 bits in 3 bytes": (riff(format_of(16, 1, sample_bytes=3), AUDIO), UnsupportedStem, "16 of 16 bits in 3 bytes"),
    "another sub-format": (
        riff(format_of(16, 1, valid_bits=16).replace(GUID_TAIL, bytes(14)), AUDIO),
        UnsupportedStem,
        "format tag 65534",
    ),
    "cut": (
        WHOLE[: 44 + 48_000],
        TruncatedStem,
        r"expected 1\.00 s as its header says, found 0\.50 s: its header promises",
    ),
    "cut before any audio": (WHOLE[:44], TruncatedStem, r"found 0\.00 s"),
    "cut behind the audio": (riff(FMT, AUDIO, after=[(b"LIST", bytes(9))])[:-4], TruncatedStem, "promises more"),
    "left open": (OPEN_RIFF, TruncatedStem, r"expected 1\.00 s as its header says, found 1\.00 s: .* never finished"),
    "left open, length unknown": (OPEN_DATA, TruncatedStem, r"never finished: 1\.00 s of audio are there"),
}


def folder(path: Path) -> None:
    path.mkdir()


def nothing(_path: Path) -> None:
    """Leave the name free."""


@pytest.mark.parametrize(("content", "error", "says"), REFUSED.values(), ids=REFUSED.keys())
def test_refusals(tmp_path: Path, content: bytes, error: type[StemError], says: str) -> None:
    """Each file at rest that is not staged is refused under its code, with its name and what was found."""
    path = written(tmp_path / "a.wav", content, age_s=AGE_S)
    with pytest.raises(error, match=rf"^a\.wav: .*{says}"), at_rest(path):
        pass


@pytest.mark.parametrize("content", [WHOLE[:-2], WHOLE[:100], WHOLE[:44], OPEN_RIFF, OPEN_DATA])
def test_unfinished_and_fresh_is_still_growing(tmp_path: Path, content: bytes) -> None:
    """A header that does not agree with the file, and a change a moment ago: its writer is at work."""
    path = written(tmp_path / "a.wav", content)
    with pytest.raises(StillGrowingStem, match=r"a\.wav: .* still being written"), open_audio(path, settle_s=60.0):
        pass


@pytest.mark.parametrize(("ahead_s", "error"), [(1000.0, TruncatedStem), (30.0, StillGrowingStem)])
def test_a_clock_that_runs_ahead(tmp_path: Path, ahead_s: float, error: type[StemError]) -> None:
    """By another computer's clock a file may be from the future: from far ahead it is at rest, from near it is not."""
    path = written(tmp_path / "a.wav", WHOLE[:100], age_s=-ahead_s)
    with pytest.raises(error, match="promises more"), open_audio(path, settle_s=60.0):
        pass


def test_a_whole_file_needs_no_rest(tmp_path: Path) -> None:
    """A complete header is believed at once: settling is the watch's business."""
    with open_audio(written(tmp_path / "a.wav", WHOLE), settle_s=3600.0) as source:
        assert source.info.frames == 48_000


def test_text_behind_the_end(tmp_path: Path) -> None:
    """A tag that another program put behind the end of the RIFF promises nothing: the file is whole."""
    with at_rest(written(tmp_path / "a.wav", WHOLE + b"TAG" + b" " * 125, age_s=AGE_S)) as source:
        assert source.info.frames == 48_000


@pytest.mark.parametrize("content", [WHOLE[: 44 + 48_000], patched(WHOLE[: 44 + 48_000], 40, 0xFFFFFFFF)])
def test_cut_file_as_far_as_it_goes(tmp_path: Path, content: bytes) -> None:
    """Where a cut file may be taken, what is there of it is read."""
    path = written(tmp_path / "a.wav", content, age_s=AGE_S)
    with at_rest(path, take_cut=True) as source:
        assert source.unfinished
        assert source.info.frames == 24_000
        assert sum(map(len, source.blocks())) == 24_000


def test_taking_cut_files_still_waits_for_writers(tmp_path: Path) -> None:
    """A file that is being written is not taken for a cut one."""
    path = written(tmp_path / "a.wav", WHOLE[:100])
    with pytest.raises(StillGrowingStem, match="still being written"), open_audio(path, settle_s=60.0, take_cut=True):
        pass


def test_taking_cut_files_still_refuses_nothing(tmp_path: Path) -> None:
    """A cut file without a single frame has nothing to take."""
    path = written(tmp_path / "a.wav", WHOLE[:44], age_s=AGE_S)
    with pytest.raises(UnreadableStem, match="0 frames"), at_rest(path, take_cut=True):
        pass


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (folder, "found a folder, pipe or device"),
        (os.mkfifo, "found a folder, pipe or device"),
        (nothing, "found nothing"),
    ],
)
def test_what_is_no_file(tmp_path: Path, make: Callable[[Path], None], says: str) -> None:
    """A folder, a pipe that nobody writes to, or nothing at all is refused at once, without waiting."""
    make(tmp_path / "a.wav")
    with pytest.raises(UnreadableStem, match=says), at_rest(tmp_path / "a.wav"):
        pass


def test_nothing_stays_open(tmp_path: Path) -> None:
    """The descriptor is closed at the end, after a refusal too."""
    before = len(list(Path("/proc/self/fd").iterdir()))
    for content in (WHOLE, b"text", WHOLE[:100]):
        path = written(tmp_path / "a.wav", content, age_s=AGE_S)
        try:
            with at_rest(path):
                pass
        except StemError:
            continue
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_undecodable_name_in_a_sentence(tmp_path: Path) -> None:
    """A sentence about a file whose name is no UTF-8 can be printed."""
    path = written(tmp_path / os.fsdecode(b"k\xff.wav"), b"text")
    with pytest.raises(UnreadableStem, match=re.escape(r"k\xff.wav: ")), at_rest(path):
        pass
