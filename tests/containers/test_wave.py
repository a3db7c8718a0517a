"""WAVE files: what the header says, and the samples block by block, with the hash of every byte."""

import hashlib
import os
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from stager.containers import open_audio, wave
from stager.errors import ChangedStem
from stager.model import Encoding
from tests.support.folders import written
from tests.support.signals import Samples, sine_block, white_noise
from tests.support.wavefile import float_wav, format_of, integers, quantised, riff, wav

AUDIO = integers(range(48_000), 16)

FMT = format_of(16, 1)

WHOLE = riff(FMT, AUDIO)

at_rest = partial(open_audio, settle_s=1.0)

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


def whole(path: Path) -> Samples:
    """Read all samples of a file."""
    with at_rest(path) as source:
        return np.concatenate(list(source.blocks()))


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_samples_are_those_of_the_file(tmp_path: Path, bits: int) -> None:
    """The blocks together are the samples that were written."""
    samples = white_noise(5000, 2)
    path = written(tmp_path / "a.wav", wav(samples, bits))
    assert np.array_equal(whole(path), quantised(samples, bits) / 2 ** (bits - 1))


def test_float_samples_are_those_of_the_file(tmp_path: Path) -> None:
    """Float samples over full scale come through."""
    samples = (white_noise(5000, 2) * 20.0).astype(np.float32)
    assert np.array_equal(whole(written(tmp_path / "a.wav", float_wav(samples))), samples)


@pytest.mark.parametrize("block_samples", [1, 7, 1000, 1 << 17])
def test_blocks_and_hash(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block_samples: int) -> None:
    """Whatever the block size, the samples are the same, and the hash is that of the whole file, chunks included."""
    monkeypatch.setattr(wave, "BLOCK_SAMPLES", block_samples)
    content = wav(white_noise(999, 3), 24, before=[(b"JUNK", bytes(31))], after=[(b"LIST", b"abc")]) + b"\xffbehind"
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


def test_a_sine_is_read_as_it_was_made(tmp_path: Path) -> None:
    """A known signal lies within half a step of what was written (worked arithmetic)."""
    samples = sine_block(997.0, 0.1, peak=0.5)
    assert np.abs(whole(written(tmp_path / "a.wav", wav(samples, 16))) - samples).max() <= 0.5 / 32768


@pytest.mark.parametrize(("content", "kind"), KINDS.values(), ids=KINDS.keys())
def test_kinds(tmp_path: Path, content: bytes, kind: tuple[object, ...]) -> None:
    """Each kind of WAVE file that is staged has its container, encoding, grid, rate, channels and frames."""
    with at_rest(written(tmp_path / "a.wav", content)) as source:
        info = source.info
        assert not source.unfinished
    found = info.container, info.encoding, info.valid_bits, info.sample_rate_hz, info.channels, info.frames
    assert found == kind
