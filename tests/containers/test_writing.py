"""The copy of a file: samples times one factor, chunks carried, stale ones written anew or gone, and true sizes."""

import hashlib
import io
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.containers import CopyPlan, FinalFigures, Gain, LoudnessFields, Written, fill_fields, open_audio, write_copy
from stager.errors import ChangedStem
from stager.model import ChunkLog
from stager.model.runs import no_runs
from tests.support.folders import written
from tests.support.signals import white_noise
from tests.support.wavefile import Chunks, float_wav, format_of, integers, riff, wav

LOUDNESS_AT, UNUSED = 412, struct.pack("<5H", *[0x7FFF] * 5)
HALF = Gain(0.5, dithered=False, source_sha256="ab", silences=no_runs())


def bext(version: int, size: int = 602) -> bytes:
    """A broadcast chunk with every byte set, and this version."""
    payload = bytearray(b"\x55" * size)
    payload[346:348] = struct.pack("<H", version)
    return bytes(payload)


def copied(path: Path, content: bytes, gain: Gain | None = HALF, sha256: str | None = None) -> tuple[bytes, Written]:
    """Write a file and copy it; the returned hash is checked against the bytes."""
    written(path, content)
    out = io.BytesIO()
    with open_audio(path, settle_s=0.0) as source:
        plan = CopyPlan(source, sha256 or hashlib.sha256(content).hexdigest(), gain, source.info, "half, please")
        found = write_copy(plan, out)
    assert found.sha256 == hashlib.sha256(out.getvalue()).hexdigest()
    return out.getvalue(), found


def chunks_of(content: bytes) -> list[tuple[bytes, bytes]]:
    """Walk a WAVE file by the plain rule, pads included; fails where it does not add up to its length."""
    assert content[:4] == b"RIFF"
    assert struct.unpack_from("<I", content, 4)[0] == len(content) - 8
    found, at = [], 12
    while at < len(content):
        size = struct.unpack_from("<I", content, at + 4)[0]
        found.append((content[at : at + 4], content[at + 8 : at + 8 + size]))
        assert len(found[-1][1]) == size
        at += 8 + size + (size & 1)
    assert at == len(content)
    return found


def test_without_a_gain_the_bytes_are_the_original(tmp_path: Path) -> None:
    """Where nothing changes, stale chunks, odd ends and bytes behind the end are the file's own business."""
    content = wav(white_noise(100), after=[(b"PEAK", bytes(7)), (b"bext", bext(2))]) + b"behind"
    out, made = copied(tmp_path / "a.wav", content, gain=None)
    assert out == content
    assert made.chunks == ChunkLog(kept=("fmt ", "data", "PEAK", "bext"))


@pytest.mark.parametrize("channels", [1, 2, 3])
def test_samples_are_multiplied(tmp_path: Path, channels: int) -> None:
    """Every sample of the copy is the original's times the factor, rounded half to even."""
    codes = np.random.default_rng(2).integers(-32768, 32768, (1000, channels))
    out, _ = copied(tmp_path / "a.wav", riff(format_of(16, channels), integers(codes, 16)))
    audio = dict(chunks_of(out))[b"data"]
    assert np.array_equal(np.frombuffer(audio, "<i2").reshape(-1, channels), np.rint(codes / 2))


def test_float_samples_are_multiplied(tmp_path: Path) -> None:
    """A float copy is the original times the factor, over full scale as well."""
    samples = (white_noise(100) * 30).astype(np.float32)
    out, _ = copied(tmp_path / "a.wav", float_wav(samples))
    assert np.array_equal(np.frombuffer(dict(chunks_of(out))[b"data"], np.float32), samples[:, 0] / 2)


@pytest.mark.parametrize("size", [0, 1, 2, 9, 10])
@pytest.mark.parametrize("where", ["before", "after"])
def test_unknown_chunks_are_carried(tmp_path: Path, where: str, size: int) -> None:
    """Time stamps, markers and chunks that nobody knows are carried byte for byte, before and behind the audio."""
    around: dict[str, Chunks] = {where: [(b"cue ", b"\1" * size), (b"XyZ!", b"\2" * size)]}
    content = wav(white_noise(10, 1), 24, **around)
    out, made = copied(tmp_path / "a.wav", content)
    expected = [(name, payload) for name, payload in chunks_of(content) if name != b"data"]
    assert [(name, payload) for name, payload in chunks_of(out) if name != b"data"] == expected
    assert made.chunks.rewritten == ("data",)
    assert made.chunks.kept == tuple(name.decode() for name, _ in expected)


@pytest.mark.parametrize("name", [b"levl", b"MD5 ", b"dbmd"])
@pytest.mark.parametrize("size", [0, 7, 8])
@pytest.mark.parametrize("where", ["before", "after"])
def test_stale_chunks_are_dropped(tmp_path: Path, name: bytes, size: int, where: str) -> None:
    """Chunks that describe the old samples go, with their pads, and the RIFF size says so."""
    around: dict[str, Chunks] = {where: [(b"one ", b"abc"), (name, bytes(size)), (b"two ", b"abc")]}
    out, made = copied(tmp_path / "a.wav", wav(white_noise(10), 24, **around))
    assert {found for found, _ in chunks_of(out)} == {b"fmt ", b"data", b"one ", b"two "}
    assert made.chunks.dropped == (name.decode(),)
    assert len(made.not_carried) == 1
    assert name.decode().strip() in made.not_carried[0]


def test_only_stale_chunks_around(tmp_path: Path) -> None:
    """Several stale chunks beside each other, first and last, leave a sound file."""
    around: dict[str, Chunks] = {
        "before": [(b"MD5 ", bytes(3)), (b"levl", bytes(4))],
        "after": [(b"levl", bytes(5)), (b"MD5 ", bytes(1))],
    }
    out, made = copied(tmp_path / "a.wav", wav(white_noise(11), 24, **around))
    assert [name for name, _ in chunks_of(out)] == [b"fmt ", b"data"]
    assert made.chunks.dropped == ("MD5 ", "levl", "levl", "MD5 ")


@pytest.mark.parametrize("size", [602, 603, 900])
@pytest.mark.parametrize("where", ["before", "after"])
def test_loudness_of_a_broadcast_chunk_is_marked_unused(tmp_path: Path, where: str, size: int) -> None:
    """Until the copy is measured the five loudness fields of version 2 say 7FFFh (EBU Tech 3285 v2)."""
    around: dict[str, Chunks] = {where: [(b"bext", bext(2, size)), (b"LIST", b"abcd")]}
    out, made = copied(tmp_path / "a.wav", wav(white_noise(10), 24, **around))
    payload, original = dict(chunks_of(out))[b"bext"], bext(2, size)
    assert payload[LOUDNESS_AT : LOUDNESS_AT + 10] == UNUSED
    assert payload[:LOUDNESS_AT] == original[:LOUDNESS_AT]
    assert payload[LOUDNESS_AT + 10 : size] == original[LOUDNESS_AT + 10 :]
    assert dict(chunks_of(out))[b"LIST"] == b"abcd"
    assert "bext" in made.chunks.rewritten


@pytest.mark.parametrize("version", [0, 1, 2])
def test_broadcast_chunk_gets_a_line_of_history(tmp_path: Path, version: int) -> None:
    """One line behind what is there says what was done, its commas made semicolons (EBU R 98)."""
    out, _ = copied(tmp_path / "a.wav", wav(white_noise(10), 24, after=[(b"bext", bext(version))]))
    line = b"A=PCM,F=48000,W=24,M=mono,T=half; please\r\n"
    payload = dict(chunks_of(out))[b"bext"]
    assert payload[602:] == line
    assert payload[:LOUDNESS_AT] == bext(version)[:LOUDNESS_AT]


@pytest.mark.parametrize("size", [300, 421, 601])
def test_short_broadcast_chunk_stays(tmp_path: Path, size: int) -> None:
    """A chunk too short to be whole is carried as it is."""
    out, made = copied(tmp_path / "a.wav", wav(white_noise(10), 24, after=[(b"bext", bext(2, size))]))
    assert dict(chunks_of(out))[b"bext"] == bext(2, size)
    assert "bext" in made.chunks.kept


@pytest.mark.parametrize("where", ["before", "after"])
def test_figures_of_the_finished_copy(tmp_path: Path, where: str) -> None:
    """What only the finished copy can tell is put where it belongs, and nothing else in the file moves."""
    around: dict[str, Chunks] = {where: [(b"odd ", b"x"), (b"bext", bext(2)), (b"PEAK", bytes(16))]}
    out, made = copied(tmp_path / "a.wav", wav(white_noise(10), 24, **around))
    filled = io.BytesIO(out)
    loudness = LoudnessFields(-23.0, 4.005, -1.5, None, -20.25)
    fill_fields(filled, made, FinalFigures(loudness, (0.5,), (7.0,)))
    before, after = dict(chunks_of(out)), dict(chunks_of(filled.getvalue()))
    figures = struct.unpack("<4hH", after[b"bext"][LOUDNESS_AT : LOUDNESS_AT + 8] + b"\0\0")[:4]
    assert figures == (-2300, 401, -150, 0x7FFF)
    assert struct.unpack("<h", after[b"bext"][LOUDNESS_AT + 8 : LOUDNESS_AT + 10]) == (-2025,)
    assert after[b"PEAK"] == struct.pack("<IIfI", 1, 0, 0.5, 7)
    assert {name: data for name, data in after.items() if name not in (b"bext", b"PEAK")} == {
        name: data for name, data in before.items() if name not in (b"bext", b"PEAK")
    }


def test_peak_chunk_of_another_size_is_dropped(tmp_path: Path) -> None:
    """A `PEAK` chunk that can't belong to such a file is not carried, and that is said."""
    out, made = copied(tmp_path / "a.wav", wav(white_noise(10), 24, after=[(b"PEAK", bytes(15))]))
    assert b"PEAK" not in dict(chunks_of(out))
    assert made.not_carried == ("PEAK, whose size fits no such file",)


def test_part_of_a_frame_is_carried(tmp_path: Path) -> None:
    """Bytes of a last frame that is not whole stay where they are, behind the samples."""
    content = riff(format_of(16, 2), integers([100] * 8, 16) + b"\7\7", after=[(b"LIST", b"abc")])
    out, _ = copied(tmp_path / "a.wav", content)
    assert dict(chunks_of(out))[b"data"] == integers([50] * 8, 16) + b"\7\7"
    assert len(out) == len(content)


def test_odd_audio_keeps_its_pad(tmp_path: Path) -> None:
    """Audio of an odd length has its pad in the copy too, so that what follows is found."""
    out, _ = copied(tmp_path / "a.wav", wav(white_noise(11), 24, after=[(b"LIST", b"abcd")]))
    assert [name for name, _ in chunks_of(out)] == [b"fmt ", b"data", b"LIST"]


def test_bytes_behind_the_end_are_carried(tmp_path: Path) -> None:
    """What lies behind the end of the RIFF is none of our business, and is carried."""
    content = wav(white_noise(10)) + b"\xffsomething"
    assert copied(tmp_path / "a.wav", content)[0].endswith(b"\xffsomething")


@settings(deadline=None, max_examples=80)
@given(
    before=st.lists(
        st.tuples(st.sampled_from([b"MD5 ", b"levl", b"cue ", b"iXML"]), st.binary(max_size=9)), max_size=4
    ),
    after=st.lists(st.tuples(st.sampled_from([b"MD5 ", b"levl", b"LIST", b"id3 "]), st.binary(max_size=9)), max_size=4),
    frames=st.integers(1, 9),
)
def test_any_chunks_around(
    tmp_path_factory: pytest.TempPathFactory, before: Chunks, after: Chunks, frames: int
) -> None:
    """Whatever lies around the audio, the copy is a sound file with everything but what is stale, in order."""
    content = wav(white_noise(frames), 24, before=before, after=after)
    out, made = copied(tmp_path_factory.getbasetemp() / "any.wav", content)
    kept = [(name, data) for name, data in chunks_of(content) if name not in (b"MD5 ", b"levl", b"data")]
    assert [(name, data) for name, data in chunks_of(out) if name != b"data"] == kept
    assert len(made.chunks.kept) + len(made.chunks.rewritten) + len(made.chunks.dropped) == len(chunks_of(content))


@pytest.mark.parametrize("gain", [HALF, None])
def test_an_original_that_is_another_since(tmp_path: Path, gain: Gain | None) -> None:
    """Bytes that are not those that were measured are never published."""
    with pytest.raises(ChangedStem, match=r"a\.wav: expected the bytes that were measured, found others"):
        copied(tmp_path / "a.wav", wav(white_noise(10)), gain, sha256="00" * 32)


def test_original_is_left_alone(tmp_path: Path) -> None:
    """Copying changes neither the bytes of the original nor its time stamp."""
    content = wav(white_noise(10))
    path = written(tmp_path / "a.wav", content)
    before = path.stat()
    with open_audio(path, settle_s=0.0) as source:
        write_copy(CopyPlan(source, hashlib.sha256(content).hexdigest(), HALF, source.info, ""), io.BytesIO())
    assert (path.read_bytes(), path.stat().st_mtime_ns) == (content, before.st_mtime_ns)
