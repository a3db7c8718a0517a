"""Chunk walking, and whether a header says that its writer has finished, on headers complete, open and cut."""

import os
import struct
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.containers.riff import Chunk, Finish, Layout, walk
from tests.support.folders import written
from tests.support.wavefile import chunk, format_of, integers, riff

FMT = format_of(16, 1)
AUDIO = integers(range(100), 16)
WHOLE = riff(FMT, AUDIO)
TEXT = riff(FMT, AUDIO, after=[(b"LIST", b"abc")])


def patched(content: bytes, at: int, size: int) -> bytes:
    """Return a file with another size written at this place."""
    return content[:at] + struct.pack("<I", size) + content[at + 4 :]


DATA_SIZE_AT = 12 + 8 + 16 + 4

FINISHES = {
    "whole": (WHOLE, Finish.COMPLETE),
    "whole, a chunk behind": (TEXT, Finish.COMPLETE),
    "whole, an odd chunk last, padded": (riff(FMT, AUDIO, after=[(b"note", b"x")]), Finish.COMPLETE),
    "whole, an odd chunk last, its pad left out": (
        patched(riff(FMT, AUDIO, after=[(b"note", b"x")])[:-1], 4, len(WHOLE) + 9 - 8),
        Finish.COMPLETE,
    ),
    "whole, odd audio without a pad": (patched(riff(FMT, AUDIO[:99])[:-1], 4, 36 + 99), Finish.COMPLETE),
    "whole, with something behind the end": (WHOLE + b"\0" * 30, Finish.COMPLETE),
    "no audio at all, but finished": (riff(FMT, b""), Finish.COMPLETE),
    "open: RIFF size 0": (patched(WHOLE, 4, 0), Finish.OPEN),
    "open: RIFF size 8": (patched(WHOLE, 4, 8), Finish.OPEN),
    "open: RIFF size all ones": (patched(WHOLE, 4, 0xFFFFFFFF), Finish.OPEN),
    "open: data size all ones": (patched(WHOLE, DATA_SIZE_AT, 0xFFFFFFFF), Finish.OPEN),
    "open: data size 0 with audio behind": (patched(WHOLE, DATA_SIZE_AT, 0), Finish.OPEN),
    "open: no data chunk yet": (WHOLE[:36], Finish.OPEN),
    "open: only the first twelve bytes": (WHOLE[:12], Finish.OPEN),
    "cut: one byte short": (WHOLE[:-1], Finish.CUT),
    "cut: half the audio": (WHOLE[: 44 + 100], Finish.CUT),
    "cut: no audio left": (WHOLE[:44], Finish.CUT),
    "cut: inside the chunk behind the audio": (TEXT[:-3], Finish.CUT),
    "cut: behind the audio, another chunk promised": (TEXT[: len(WHOLE)], Finish.CUT),
    "cut: data size beyond the file": (patched(WHOLE, DATA_SIZE_AT, 10_000), Finish.CUT),
}


def walked(path: Path, content: bytes) -> Layout:
    written(path, content)
    descriptor = os.open(path, os.O_RDONLY)
    try:
        return walk(descriptor, len(content))
    finally:
        os.close(descriptor)


@pytest.mark.parametrize(("content", "finish"), FINISHES.values(), ids=FINISHES.keys())
def test_finish(tmp_path: Path, content: bytes, finish: Finish) -> None:
    """Header and length together say whether the writer has finished."""
    assert walked(tmp_path / "a.wav", content).finish is finish


@pytest.mark.parametrize("length", range(12, len(TEXT)))
def test_no_part_of_a_file_passes_for_the_whole(tmp_path: Path, length: int) -> None:
    """Wherever a copy of a file stops short of its end, the last pad included, it does not count as complete."""
    assert walked(tmp_path / "a.wav", TEXT[:length]).finish is not Finish.COMPLETE


def test_finished_file_without_audio(tmp_path: Path) -> None:
    """A header whose sizes agree with the file has been finished, also where it promises no audio."""
    content = riff(FMT, b"", after=[(b"LIST", b"abcd")])
    assert walked(tmp_path / "a.wav", content).finish is Finish.COMPLETE


def test_chunks_in_order(tmp_path: Path) -> None:
    """Every chunk is found with its payload's place and length; an odd one is followed by its pad."""
    content = riff(FMT, AUDIO, before=[(b"odd1", b"xyz")], after=[(b"LIST", b"abcd"), (b"last", b"")])
    layout = walked(tmp_path / "a.wav", content)
    assert [piece.name for piece in layout.chunks] == [b"fmt ", b"odd1", b"data", b"LIST", b"last"]
    assert [content[piece.start : piece.start + piece.size] for piece in layout.chunks] == [
        FMT,
        b"xyz",
        AUDIO,
        b"abcd",
        b"",
    ]
    assert (layout.riff_size, layout.file_bytes) == (len(content) - 8, len(content))


def test_walk_stops_at_open_audio(tmp_path: Path) -> None:
    """Behind audio whose length was never written nothing is taken for a chunk, unless chunks fill the file exactly."""
    content = patched(riff(FMT, chunk(b"LIST", b"abcd") + b"more"), DATA_SIZE_AT, 0)
    assert [piece.name for piece in walked(tmp_path / "a.wav", content).chunks] == [b"fmt ", b"data"]


def test_walk_stops_where_no_name_can_be(tmp_path: Path) -> None:
    """Bytes that are no text can't name a chunk, and end the walk."""
    content = WHOLE + b"\xff\xfe\xfd\xfc\4\0\0\0abcd"
    assert [piece.name for piece in walked(tmp_path / "a.wav", content).chunks] == [b"fmt ", b"data"]


def test_first_of_a_name() -> None:
    """Of two chunks with one name the first is given, of none None."""
    one, other = Chunk(b"bext", 20, 4), Chunk(b"bext", 40, 4)
    layout = Layout((one, other), 100, 108)
    assert layout.first(b"bext") is one
    assert layout.first(b"iXML") is None


@pytest.mark.parametrize(("size", "end"), [(0, 20), (1, 22), (2, 22), (3, 24)])
def test_padded_end(size: int, end: int) -> None:
    """The next chunk begins at an even place."""
    assert Chunk(b"note", 20, size).padded_end == end


@settings(deadline=None, max_examples=200)
@given(tail=st.binary(max_size=300), riff_size=st.integers(0, 0xFFFFFFFF))
def test_any_bytes_can_be_walked(tmp_path_factory: pytest.TempPathFactory, tail: bytes, riff_size: int) -> None:
    """Whatever lies behind the first twelve bytes, the walk ends, and gives chunks in rising order."""
    content = b"RIFF" + struct.pack("<I", riff_size) + b"WAVE" + tail
    layout = walked(tmp_path_factory.getbasetemp() / "any.wav", content)
    starts = [piece.start for piece in layout.chunks]
    assert starts == sorted(set(starts))
    assert layout.finish in Finish
