"""Opening a WAVE file: what its header tells, the refusals with their sentences, and reading to the end."""

import hashlib
import os
import re
import struct
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from stager.containers import fingerprint_of, open_wave, wave
from stager.containers.wave import reading
from stager.errors import (
    ChangedStem,
    StemError,
    StillGrowingStem,
    TruncatedStem,
    UnreadableStem,
    UnsupportedStem,
)
from stager.model import Encoding
from tests.making import (
    SUBFORMAT_TAIL,
    Samples,
    float_wav,
    format_of,
    integers,
    noise,
    quantised,
    riff,
    sine,
    wav,
    written,
)

AGE_S = 100.0
AUDIO = integers(range(48_000), 16)
FMT = format_of(16, 1)
WHOLE = riff(FMT, AUDIO)

at_rest = partial(open_wave, settle_s=1.0)


def whole(path: Path) -> Samples:
    """Read all samples of a file."""
    with at_rest(path) as source:
        return np.concatenate(list(source.blocks()))


KINDS = {
    "16-bit": (riff(format_of(16, 2, 44_100), AUDIO), ("WAV", Encoding.PCM_16, 16, 44_100, 2, 24_000)),
    "24-bit": (riff(format_of(24, 1, 96_000), bytes(300)), ("WAV", Encoding.PCM_24, 24, 96_000, 1, 100)),
    "32-bit": (riff(format_of(32, 1), bytes(400)), ("WAV", Encoding.PCM_32, 32, 48_000, 1, 100)),
    "float": (riff(format_of(32, 2, tag=3), bytes(800)), ("WAV", Encoding.FLOAT, 0, 48_000, 2, 100)),
    "double": (riff(format_of(64, 1, tag=3), bytes(800)), ("WAV", Encoding.DOUBLE, 0, 48_000, 1, 100)),
    "extensible 24": (
        riff(format_of(24, 2, valid_bits=24), bytes(600)),
        ("WAVEX", Encoding.PCM_24, 24, 48_000, 2, 100),
    ),
    "extensible 20 in 24": (
        riff(format_of(24, 1, valid_bits=20), bytes(300)),
        ("WAVEX", Encoding.PCM_24, 20, 48_000, 1, 100),
    ),
    "extensible, valid bits not filled in": (
        riff(format_of(24, 1, valid_bits=0), bytes(300)),
        ("WAVEX", Encoding.PCM_24, 24, 48_000, 1, 100),
    ),
    "extensible float": (
        riff(format_of(32, 1, tag=3, valid_bits=32), bytes(400)),
        ("WAVEX", Encoding.FLOAT, 0, 48_000, 1, 100),
    ),
    "20 bits in a plain header": (
        riff(format_of(20, 1, sample_bytes=3), bytes(300)),
        ("WAV", Encoding.PCM_24, 20, 48_000, 1, 100),
    ),
    "32 channels": (riff(format_of(16, 32), bytes(640)), ("WAV", Encoding.PCM_16, 16, 48_000, 32, 10)),
    "part of a frame at the end": (riff(format_of(16, 2), bytes(402)), ("WAV", Encoding.PCM_16, 16, 48_000, 2, 100)),
    "chunks around": (
        riff(FMT, AUDIO, before=[(b"JUNK", bytes(27))], after=[(b"LIST", b"abc")]),
        ("WAV", Encoding.PCM_16, 16, 48_000, 1, 48_000),
    ),
}


def patched(content: bytes, at: int, size: int) -> bytes:
    return content[:at] + struct.pack("<I", size) + content[at + 4 :]


OPEN_RIFF, OPEN_DATA = patched(WHOLE, 4, 0), patched(WHOLE, 40, 0)

REFUSED = {
    "empty": (b"", UnreadableStem, "found an empty file"),
    "text": (b"hello, this is a text", UnreadableStem, "expected audio in a RIFF/WAVE file, found 'hello, this "),
    "other RIFF": (b"RIFF\x10\0\0\0AVI LIST", UnreadableStem, "expected audio in a RIFF/WAVE file"),
    "RF64": (b"RF64\xff\xff\xff\xffWAVE", UnsupportedStem, "found RF64"),
    "AIFF": (b"FORM\0\0\0\0AIFF", UnsupportedStem, "found AIFF"),
    "FLAC": (b"fLaC\0\0\0\x22", UnsupportedStem, "found FLAC"),
    "big-endian RIFF": (b"RIFX\0\0\0\0WAVE", UnsupportedStem, "found big-endian RIFF"),
    "no format chunk": (
        riff(FMT, AUDIO).replace(b"fmt ", b"junk"),
        UnreadableStem,
        "format chunk of 16 bytes or more, found 0",
    ),
    "short format chunk": (riff(FMT[:14], AUDIO), UnreadableStem, "format chunk of 16 bytes or more, found 14"),
    "0 frames": (riff(FMT, b""), UnreadableStem, "found a WAVE header with 0 frames"),
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
        riff(format_of(16, 1, valid_bits=16).replace(SUBFORMAT_TAIL, bytes(14)), AUDIO),
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


@pytest.mark.parametrize(("content", "kind"), KINDS.values(), ids=KINDS.keys())
def test_kinds(tmp_path: Path, content: bytes, kind: tuple[object, ...]) -> None:
    """Each kind of WAVE file that is staged tells its container, encoding, grid, rate, channels and frames."""
    with at_rest(written(tmp_path / "a.wav", content)) as source:
        info = source.info
        assert not source.is_cut
    found = info.container, info.encoding, info.valid_bits, info.sample_rate_hz, info.channels, info.frames
    assert found == kind


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
    with pytest.raises(StillGrowingStem, match=r"a\.wav: .* still being written"), open_wave(path, settle_s=60.0):
        pass


@pytest.mark.parametrize(("ahead_s", "error"), [(1000.0, TruncatedStem), (30.0, StillGrowingStem)])
def test_a_clock_that_runs_ahead(tmp_path: Path, ahead_s: float, error: type[StemError]) -> None:
    """By another computer's clock a file may be from the future: from far ahead it is at rest, from near it is not."""
    path = written(tmp_path / "a.wav", WHOLE[:100], age_s=-ahead_s)
    with pytest.raises(error, match="promises more"), open_wave(path, settle_s=60.0):
        pass


def test_a_whole_file_needs_no_rest(tmp_path: Path) -> None:
    """A complete header is believed at once: settling is the watch's business."""
    with open_wave(written(tmp_path / "a.wav", WHOLE), settle_s=3600.0) as source:
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
        assert source.is_cut
        assert source.info.frames == 24_000
        assert sum(map(len, source.blocks())) == 24_000


def test_taking_cut_files_still_waits_for_writers(tmp_path: Path) -> None:
    """A file that is being written is not taken for a cut one."""
    path = written(tmp_path / "a.wav", WHOLE[:100])
    with pytest.raises(StillGrowingStem, match="still being written"), open_wave(path, settle_s=60.0, take_cut=True):
        pass


def test_taking_cut_files_still_refuses_nothing(tmp_path: Path) -> None:
    """A cut file without a single frame has nothing to take."""
    path = written(tmp_path / "a.wav", WHOLE[:44], age_s=AGE_S)
    with pytest.raises(UnreadableStem, match="0 frames"), at_rest(path, take_cut=True):
        pass


def folder(path: Path) -> None:
    path.mkdir()


def nothing(_path: Path) -> None:
    """Leave the name free."""


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


@pytest.mark.parametrize(
    ("raised", "says"),
    [
        (PermissionError(13, "Permission denied"), r"a\.wav: .*no permission to read it"),
        (FileNotFoundError(2, "No such file"), r"a\.wav: .*found nothing under this name"),
        (OSError(5, "Input/output error"), r"a\.wav: the system can't read it: Input/output error"),
    ],
)
def test_what_the_system_says_is_translated(raised: OSError, says: str) -> None:
    """Every OSError while a stem is read becomes one sentence about that stem, with its cause kept."""
    with pytest.raises(UnreadableStem, match=says) as found, reading(Path("x/a.wav")):
        raise raised
    assert found.value.__cause__ is raised


def test_other_errors_are_not_swallowed() -> None:
    """What is no OSError is a mistake of ours, and passes."""
    with pytest.raises(ZeroDivisionError), reading(Path("a.wav")):
        raise ZeroDivisionError


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_samples_are_those_of_the_file(tmp_path: Path, bits: int) -> None:
    """The blocks together are the samples that were written."""
    samples = noise(5000, 2)
    path = written(tmp_path / "a.wav", wav(samples, bits))
    assert np.array_equal(whole(path), quantised(samples, bits) / 2 ** (bits - 1))


def test_float_samples_are_those_of_the_file(tmp_path: Path) -> None:
    """Float samples over full scale come through."""
    samples = (noise(5000, 2) * 20.0).astype(np.float32)
    assert np.array_equal(whole(written(tmp_path / "a.wav", float_wav(samples))), samples)


@pytest.mark.parametrize("block_samples", [1, 7, 1000, 1 << 17])
def test_blocks_and_hash(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block_samples: int) -> None:
    """Whatever the block size, the samples are the same, and the hash is that of the whole file, chunks included."""
    monkeypatch.setattr(wave, "BLOCK_SAMPLES", block_samples)
    content = wav(noise(999, 3), 24, before=[(b"JUNK", bytes(31))], after=[(b"LIST", b"abc")]) + b"\xffbehind"
    path, digest = written(tmp_path / "a.wav", content), hashlib.sha256()
    with at_rest(path) as source:
        blocks = list(source.blocks(digest))
    assert max(map(len, blocks)) <= max(1, block_samples // 3)
    assert np.array_equal(np.concatenate(blocks), whole(path))
    assert digest.hexdigest() == hashlib.sha256(content).hexdigest()


def test_hash_of_a_part_of_a_frame(tmp_path: Path) -> None:
    """Bytes of a last frame that is not whole are no samples, but are hashed."""
    content = riff(format_of(16, 2), bytes(range(102)))
    digest = hashlib.sha256()
    with at_rest(written(tmp_path / "a.wav", content)) as source:
        assert sum(map(len, source.blocks(digest))) == 25
    assert digest.hexdigest() == hashlib.sha256(content).hexdigest()


def test_a_file_that_shrinks_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where frames that were there are gone, the stem has changed; nothing is made up."""
    monkeypatch.setattr(wave, "BLOCK_SAMPLES", 1000)
    path = written(tmp_path / "a.wav", WHOLE)
    with at_rest(path) as source:
        blocks = source.blocks()
        next(blocks)
        os.truncate(path, 10_000)
        with pytest.raises(ChangedStem, match=r"a\.wav: expected 2000 bytes at \d+, and the file ends before them"):
            list(blocks)


def test_reading_past_the_end(tmp_path: Path) -> None:
    """A read gives exactly what was asked for or nothing."""
    with at_rest(written(tmp_path / "a.wav", WHOLE)) as source:
        assert source.read(0, 4) == b"RIFF"
        with pytest.raises(ChangedStem, match="expected 1 bytes"):
            source.read(len(WHOLE), 1)


def test_raw_gives_every_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The raw bytes of a stretch come in portions, and are all of it."""
    monkeypatch.setattr(wave, "COPY_BYTES", 1000)
    with at_rest(written(tmp_path / "a.wav", WHOLE)) as source:
        portions = list(source.raw(0, len(WHOLE)))
    assert (b"".join(portions), max(map(len, portions))) == (WHOLE, 1000)


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


def test_an_original_is_opened_for_reading_only(tmp_path: Path) -> None:
    """The descriptor can't write, and a file without the right to be written is read."""
    path = written(tmp_path / "a.wav", WHOLE)
    path.chmod(0o444)
    with at_rest(path) as source, pytest.raises(OSError, match="Bad file descriptor"):
        os.write(source.descriptor, b"x")
    assert path.read_bytes() == WHOLE


def test_fingerprint_of_the_open_file_is_that_of_its_name(tmp_path: Path) -> None:
    """Both ways of asking give the same, until another file takes the name."""
    path = written(tmp_path / "a.wav", WHOLE)
    with at_rest(path) as source:
        assert source.fingerprint() == fingerprint_of(path)
        written(tmp_path / "b.wav", WHOLE).replace(path)
        assert source.fingerprint() != fingerprint_of(path)


def test_fingerprint_of_nothing(tmp_path: Path) -> None:
    """A name that nothing has any more is a stem that can't be read."""
    with pytest.raises(UnreadableStem, match=re.escape("gone.wav: expected a file, found nothing under this name")):
        fingerprint_of(tmp_path / "gone.wav")


def test_undecodable_name_in_a_sentence(tmp_path: Path) -> None:
    """A sentence about a file whose name is no UTF-8 can be printed."""
    path = written(tmp_path / os.fsdecode(b"k\xff.wav"), b"text")
    with pytest.raises(UnreadableStem, match=re.escape(r"k\xff.wav: ")), at_rest(path):
        pass


def test_a_sine_is_read_as_it_was_made(tmp_path: Path) -> None:
    """A known signal lies within half a step of what was written (worked arithmetic)."""
    samples = sine(997.0, 0.1, peak=0.5)
    assert np.abs(whole(written(tmp_path / "a.wav", wav(samples, 16))) - samples).max() <= 0.5 / 32768
