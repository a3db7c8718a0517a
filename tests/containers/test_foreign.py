"""What stands around the samples of AIFF, CAF and FLAC: whole or not, an odd codec, and what a copy would lose."""

import os
import struct
from pathlib import Path

import pytest

from stager.containers.foreign import AIFF_CODECS, CUT, NEVER_FINISHED, Surroundings, is_foreign, surroundings

RATE = bytes.fromhex("400ebb80000000000000")


def big(name: bytes, payload: bytes, size: int | None = None) -> bytes:
    """An AIFF chunk with its pad byte; `size` is what its header says."""
    stated = len(payload) if size is None else size
    return name + struct.pack(">I", stated) + payload + bytes(len(payload) & 1)


def form(*chunks: bytes, kind: bytes = b"AIFF", stated: int | None = None) -> bytes:
    body = kind + b"".join(chunks)
    return b"FORM" + struct.pack(">I", len(body) if stated is None else stated) + body


def comm(codec: bytes = b"") -> bytes:
    return big(b"COMM", struct.pack(">hIh", 1, 4, 16) + RATE + codec)


SSND = big(b"SSND", bytes(16))


def wide(name: bytes, payload: bytes, size: int | None = None) -> bytes:
    """A CAF chunk; `size` is what its header says."""
    return name + struct.pack(">q", len(payload) if size is None else size) + payload


def caf(*chunks: bytes) -> bytes:
    return b"caff" + struct.pack(">HH", 1, 0) + b"".join(chunks)


def desc(codec: bytes = b"lpcm") -> bytes:
    return wide(b"desc", struct.pack(">d4s5I", 48_000.0, codec, 0, 2, 1, 1, 16))


DATA = wide(b"data", bytes(12))


def block(kind: int, body: bytes, *, last: bool = False) -> bytes:
    """A FLAC metadata block."""
    return bytes([kind | (0x80 if last else 0)]) + len(body).to_bytes(3, "big") + body


def streaminfo(frames: int = 4, *, last: bool = False) -> bytes:
    return block(0, bytes(10) + bytes([0x0B, 0xB8, 0x00]) + frames.to_bytes(5, "big") + bytes(16), last=last)


def comments(*fields: bytes) -> bytes:
    texts = b"".join(struct.pack("<I", len(field)) + field for field in fields)
    return struct.pack("<I", 4) + b"test" + struct.pack("<I", len(fields)) + texts


def looked_at(folder: Path, content: bytes) -> Surroundings:
    path = folder / "a"
    path.write_bytes(content)
    descriptor = os.open(path, os.O_RDONLY)
    try:
        return surroundings(descriptor, len(content), content[:12])
    finally:
        os.close(descriptor)


SOUND = {
    "AIFF": (form(comm(), SSND), Surroundings("AIFF", None, None, ())),
    "AIFC, uncompressed": (form(comm(b"sowt"), SSND, kind=b"AIFC"), Surroundings("AIFC", None, None, ())),
    "CAF": (caf(desc(), DATA), Surroundings("CAF", None, None, ())),
    "FLAC": (b"fLaC" + streaminfo(last=True), Surroundings("FLAC", None, None, ())),
}

UNFINISHED = {
    "AIFF, no length": (form(comm(), SSND, stated=0), NEVER_FINISHED),
    "AIFF, no audio yet": (form(comm()), NEVER_FINISHED),
    "AIFF, audio of no length": (form(comm(), big(b"SSND", bytes(40), 8)), NEVER_FINISHED),
    "AIFF, length beyond its end": (form(comm(), SSND, stated=4000), CUT),
    "AIFF, chunk beyond its end": (form(comm(), big(b"SSND", bytes(16), 4000)), CUT),
    "CAF, no audio yet": (caf(desc()), NEVER_FINISHED),
    "CAF, audio up to its end": (caf(desc(), wide(b"data", bytes(12), -1)), NEVER_FINISHED),
    "CAF, chunk beyond its end": (caf(desc(), wide(b"data", bytes(12), 4000)), CUT),
    "FLAC, no count of frames": (b"fLaC" + streaminfo(0, last=True), NEVER_FINISHED),
}

LOST = {
    "AIFF markers and unknown": (form(comm(), big(b"MARK", bytes(2)), SSND, big(b"zZzz", b"odd")), ("MARK", "zZzz")),
    "AIFF tags are carried": (form(comm(), big(b"NAME", b"Salt Road"), big(b"ANNO", b"x"), SSND), ()),
    "CAF markers and unknown": (caf(desc(), wide(b"mark", bytes(8)), DATA, wide(b"zZzz", b"")), ("mark", "zZzz")),
    "CAF room and tags": (caf(desc(), wide(b"free", bytes(9)), wide(b"info", bytes(4)), DATA), ()),
    "FLAC picture and cue sheet": (
        b"fLaC" + streaminfo() + block(6, bytes(32)) + block(1, bytes(9)) + block(5, bytes(8), last=True),
        ("PICTURE", "CUESHEET"),
    ),
    "FLAC comments": (
        b"fLaC" + streaminfo() + block(4, comments(b"TITLE=a", b"mood=b", b"Comment=c"), last=True),
        ("comment MOOD",),
    ),
    "FLAC block without a name": (b"fLaC" + streaminfo() + block(99, b"x", last=True), ("block 99",)),
}


@pytest.mark.parametrize(
    ("head", "foreign"),
    [
        (b"FORM\0\0\0\0AIFF", True),
        (b"FORM\0\0\0\0AIFC", True),
        (b"FORM\0\0\0\x008SVX", False),
        (b"caff\0\1\0\0", True),
        (b"fLaC", True),
        (b"RIFF\0\0\0\0WAVE", False),
        (b"", False),
    ],
)
def test_known_by_its_first_bytes(head: bytes, foreign: bool) -> None:
    """AIFF, AIFF-C, CAF and FLAC are known by their magic alone, whatever a file is called."""
    assert is_foreign(head) is foreign


@pytest.mark.parametrize(("content", "expected"), SOUND.values(), ids=SOUND.keys())
def test_whole_files(tmp_path: Path, content: bytes, expected: Surroundings) -> None:
    """A whole file of PCM has nothing to say."""
    assert looked_at(tmp_path, content) == expected


@pytest.mark.parametrize(("content", "why"), UNFINISHED.values(), ids=UNFINISHED.keys())
def test_unfinished_files(tmp_path: Path, content: bytes, why: str) -> None:
    """A length that was never written is told from one that promises more than there is."""
    assert looked_at(tmp_path, content).unfinished == why


@pytest.mark.parametrize(("content", "lost"), LOST.values(), ids=LOST.keys())
def test_what_a_copy_loses(tmp_path: Path, content: bytes, lost: tuple[str, ...]) -> None:
    """What the library can't write is named, in the order of the file; what it can is not."""
    assert looked_at(tmp_path, content).not_carried == lost


@pytest.mark.parametrize("codec", [b"ulaw", b"alaw", b"ima4", b"QDM2", b"MAC3", b"GSM ", b"\xff\xfe\0\0"])
def test_compressed_aiff(tmp_path: Path, codec: bytes) -> None:
    """A compression type that is not on the list of PCM and float is odd."""
    assert looked_at(tmp_path, form(comm(codec), SSND, kind=b"AIFC")).odd_codec is not None


@pytest.mark.parametrize("codec", AIFF_CODECS)
def test_uncompressed_aiff(tmp_path: Path, codec: bytes) -> None:
    """Every type on the list is taken, in both spellings of float."""
    assert looked_at(tmp_path, form(comm(codec), SSND, kind=b"AIFC")).odd_codec is None


@pytest.mark.parametrize("codec", [b"alac", b"aac ", b"ima4", b"ulaw", b".mp3"])
def test_compressed_caf(tmp_path: Path, codec: bytes) -> None:
    """In CAF everything but `lpcm` is odd."""
    assert looked_at(tmp_path, caf(desc(codec), DATA)).odd_codec == codec.decode().strip()


def test_caf_without_a_description(tmp_path: Path) -> None:
    """A CAF file that does not say what it holds is not trusted to hold PCM."""
    assert looked_at(tmp_path, caf(DATA)).odd_codec is not None


def test_comments_that_lie_about_their_size(tmp_path: Path) -> None:
    """A count or a length beyond the block ends quietly, in time, with what could be read."""
    body = struct.pack("<I", 4) + b"test" + struct.pack("<I", 0xFFFFFFFF) + struct.pack("<I", 0xFFFFFFF0) + b"MOOD=x"
    content = b"fLaC" + streaminfo() + block(4, body, last=True)
    assert looked_at(tmp_path, content).not_carried == ("comment MOOD",)
