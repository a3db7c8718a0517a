"""Walking a W64 file: sizes that count their own header, places in eights, identifiers of sixteen bytes."""

import os
import struct
from pathlib import Path

import pytest

from stager.containers.riff import Layout
from stager.containers.w64 import CHUNK_HEAD_BYTES, HEADER_BYTES, RIFF_ID, TAIL, WAVE_ID, is_w64, walk_w64

INVENTED = bytes.fromhex("e3a1b2c3d4e5f60718293a4b5c6d7e8f")


def chunk(identifier: bytes, payload: bytes, size: int | None = None) -> bytes:
    """A chunk with its padding; `size` is what its header says, its own 24 bytes included."""
    stated = CHUNK_HEAD_BYTES + len(payload) if size is None else size
    return identifier + struct.pack("<Q", stated) + payload + bytes(-len(payload) % 8)


def whole(*chunks: bytes, stated: int | None = None) -> bytes:
    body = b"".join(chunks)
    return RIFF_ID + struct.pack("<Q", HEADER_BYTES + len(body) if stated is None else stated) + WAVE_ID + body


def walked(folder: Path, content: bytes) -> Layout:
    path = folder / "a.w64"
    path.write_bytes(content)
    descriptor = os.open(path, os.O_RDONLY)
    try:
        return walk_w64(descriptor, len(content))
    finally:
        os.close(descriptor)


FMT, DATA = chunk(b"fmt " + TAIL, bytes(16)), chunk(b"data" + TAIL, bytes(12))


def test_is_w64_by_both_identifiers() -> None:
    """Both the file's and the form's identifier must be there, whole."""
    assert is_w64(whole(FMT)[:40])
    assert not is_w64(whole(FMT)[:39])
    assert not is_w64(b"riff" + bytes(20) + WAVE_ID)
    assert not is_w64(RIFF_ID + bytes(8) + b"wave" + bytes(12))


def test_sizes_count_their_headers(tmp_path: Path) -> None:
    """A payload is 24 bytes shorter than its header says and starts behind it; the next chunk is at a multiple of 8."""
    found = walked(tmp_path, whole(FMT, DATA, chunk(b"junk" + TAIL, b"abc")))
    assert [(c.name, c.start, c.size) for c in found.chunks] == [
        (b"fmt ", 64, 16),
        (b"data", 104, 12),
        (b"junk", 144, 3),
    ]
    assert [c.padded_end % 8 for c in found.chunks] == [0, 0, 0]
    assert [c.head_start for c in found.chunks] == [40, 80, 120]


def test_stated_length_is_that_of_riff(tmp_path: Path) -> None:
    """The length that a W64 file states holds its own header; a RIFF file's is 8 less (layout of libsndfile)."""
    content = whole(FMT, DATA)
    assert walked(tmp_path, content).riff_size == len(content) - 8
    assert walked(tmp_path, whole(FMT, DATA, stated=0)).riff_size == 0


def test_unknown_identifiers_have_a_name_of_four_letters(tmp_path: Path) -> None:
    """An identifier that is no text is named by its first two bytes in hex, so that every log can hold it."""
    assert [c.name for c in walked(tmp_path, whole(chunk(INVENTED, b""), FMT)).chunks] == [b"e3a1", b"fmt "]


@pytest.mark.parametrize("size", [0, 1, 23])
def test_a_size_under_its_own_header_ends_the_walk(tmp_path: Path, size: int) -> None:
    """A chunk that says it is shorter than its header is damaged: what follows is unknown."""
    assert [c.name for c in walked(tmp_path, whole(FMT, chunk(b"junk" + TAIL, b"", size), DATA)).chunks] == [b"fmt "]


@pytest.mark.parametrize("size", [0, 24])
def test_audio_without_a_length_is_the_last_chunk(tmp_path: Path, size: int) -> None:
    """A writer at work has not put the audio's length there: what lies behind is audio, not chunks."""
    found = walked(tmp_path, whole(FMT, chunk(b"data" + TAIL, b"", size), DATA))
    assert [(c.name, c.size) for c in found.chunks] == [(b"fmt ", 16), (b"data", 0)]


@pytest.mark.parametrize("cut", [1, 23])
def test_half_a_chunk_header_is_no_chunk(tmp_path: Path, cut: int) -> None:
    """A header that the file does not hold whole is not read."""
    assert len(walked(tmp_path, whole(FMT, DATA[:cut])).chunks) == 1


def test_sizes_of_64_bits(tmp_path: Path) -> None:
    """A size above 2^32 is taken as it stands."""
    found = walked(tmp_path, whole(FMT, chunk(b"data" + TAIL, b"", 2**40 + 24)))
    assert found.chunks[-1].size == 2**40
