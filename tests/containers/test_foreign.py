"""What stands around the samples of AIFF, CAF and FLAC: whole or not, an odd codec, and what a copy lacks of it."""

import os
import struct
from pathlib import Path

import pytest

from stager.containers.foreign import (
    AIFF_CODECS,
    CAF_DESC_BYTES,
    CUT,
    MOST_TAGS,
    MOST_TEXT_BYTES,
    NEVER_FINISHED,
    Metadata,
    cut_caf_stream,
    is_foreign,
    missing,
    read_metadata,
)

RATE = bytes.fromhex("400ebb80000000000000")


def big(name: bytes, payload: bytes, size: int | None = None) -> bytes:
    """An AIFF chunk with its pad byte; `size` is what its header says."""
    stated = len(payload) if size is None else size
    return name + struct.pack(">I", stated) + payload + bytes(len(payload) & 1)


def form(*chunks: bytes, kind: bytes = b"AIFF", stated: int | None = None) -> bytes:
    body = kind + b"".join(chunks)
    return b"FORM" + struct.pack(">I", len(body) if stated is None else stated) + body


def comm(codec: bytes = b"", bits: int = 16) -> bytes:
    return big(b"COMM", struct.pack(">hIh", 1, 4, bits) + RATE + codec)


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


def looked_at(folder: Path, content: bytes) -> Metadata:
    path = folder / "a"
    path.write_bytes(content)
    descriptor = os.open(path, os.O_RDONLY)
    try:
        return read_metadata(descriptor, len(content), content[:12])
    finally:
        os.close(descriptor)


def lacking(folder: Path, original: bytes, copy: bytes) -> tuple[str, ...]:
    return missing(looked_at(folder, original), looked_at(folder, copy))


def info(*pairs: tuple[bytes, bytes], count: int | None = None) -> bytes:
    """A CAF `info` chunk; `count` is what it says."""
    stated = len(pairs) if count is None else count
    return wide(b"info", struct.pack(">I", stated) + b"".join(key + b"\0" + text + b"\0" for key, text in pairs))


BARE = {
    b"FORM": form(comm(), SSND),
    b"caff": caf(desc(), DATA),
    b"fLaC": b"fLaC" + streaminfo(last=True),
}


SOUND = {
    "AIFF": (form(comm(), SSND), Metadata("AIFF", None, None, ())),
    "AIFC, uncompressed": (form(comm(b"sowt"), SSND, kind=b"AIFC"), Metadata("AIFC", None, None, ())),
    "CAF": (caf(desc(), DATA), Metadata("CAF", None, None, ())),
    "FLAC": (b"fLaC" + streaminfo(last=True), Metadata("FLAC", None, None, ())),
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
    "AIFF depth": (form(comm(bits=20), SSND), ("the depth of 20 bits",)),
    "AIFF tags": (
        form(comm(), big(b"NAME", b"Salt Road"), big(b"ANNO", b"x\0"), big(b"AUTH", b""), SSND),
        ("tag NAME", "tag ANNO"),
    ),
    "CAF markers and unknown": (caf(desc(), wide(b"mark", bytes(8)), DATA, wide(b"zZzz", b"")), ("mark", "zZzz")),
    "CAF room and no tags": (caf(desc(), wide(b"free", bytes(9)), wide(b"info", bytes(4)), DATA), ()),
    "CAF speakers and tags": (
        caf(desc(), wide(b"chan", bytes(12)), info((b"tempo", b"120"), (b"key", b"")), DATA),
        ("chan", "tag tempo"),
    ),
    "FLAC picture and cue sheet": (
        b"fLaC" + streaminfo() + block(6, bytes(32)) + block(1, bytes(9)) + block(5, bytes(8), last=True),
        ("PICTURE", "CUESHEET"),
    ),
    "FLAC comments": (
        b"fLaC" + streaminfo() + block(4, comments(b"TITLE=a", b"mood=b", b"Comment=c"), last=True),
        ("tag TITLE", "tag MOOD", "tag COMMENT"),
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
def test_whole_files(tmp_path: Path, content: bytes, expected: Metadata) -> None:
    """A whole file of PCM has nothing to say."""
    assert looked_at(tmp_path, content) == expected


@pytest.mark.parametrize(("content", "why"), UNFINISHED.values(), ids=UNFINISHED.keys())
def test_unfinished_files(tmp_path: Path, content: bytes, why: str) -> None:
    """A length that was never written is told from one that promises more than there is."""
    assert looked_at(tmp_path, content).unfinished == why


@pytest.mark.parametrize(("content", "lost"), LOST.values(), ids=LOST.keys())
def test_what_a_bare_copy_lacks(tmp_path: Path, content: bytes, lost: tuple[str, ...]) -> None:
    """What a copy lacks is named, in the order of the file; what every file has of its own, and empty text, is not."""
    assert lacking(tmp_path, content, BARE[content[:4]]) == lost


@pytest.mark.parametrize("content", [content for content, _ in LOST.values()], ids=LOST.keys())
def test_a_whole_copy_lacks_nothing(tmp_path: Path, content: bytes) -> None:
    """A copy with the same chunks and tags carries them all."""
    assert lacking(tmp_path, content, content) == ()


def test_tags_are_counted(tmp_path: Path) -> None:
    """Of three comments, two alike, a copy with one of these lacks two, and says which text is gone."""
    original = form(comm(), *(big(b"ANNO", text) for text in (b"same", b"other", b"same")), SSND)
    copy = form(comm(), big(b"ANNO", b"same"), SSND)
    assert lacking(tmp_path, original, copy) == ("tag ANNO=other", "tag ANNO=same")


def test_names_of_tags_have_no_case(tmp_path: Path) -> None:
    """A copy that writes `title` for `Title` carries it (vorbis comments: field names are case-insensitive)."""
    original = b"fLaC" + streaminfo() + block(4, comments(b"Title=a"), last=True)
    assert lacking(tmp_path, original, b"fLaC" + streaminfo() + block(4, comments(b"TITLE=a"), last=True)) == ()


def test_what_is_said_is_short_and_moves_no_cursor(tmp_path: Path) -> None:
    """Text of a file that would fill a screen or steer a terminal is cut at 40 characters, and escaped."""
    original = form(comm(), big(b"NAME", b"\x1b[2J" + b"x" * 100), big(b"NAME", b"kept"), SSND)
    said = lacking(tmp_path, original, form(comm(), big(b"NAME", b"kept"), SSND))
    assert said == ("tag NAME=" + r"\x1b[2J" + "x" * 32 + "…",)


@pytest.mark.parametrize("more", [0, 1])
def test_text_beyond_what_is_read(tmp_path: Path, more: int) -> None:
    """Of text over 1 MiB the length shows whether the rest was carried; it is not read."""
    original = form(comm(), big(b"ANNO", b"x" * (MOST_TEXT_BYTES + 2)), SSND)
    copy = form(comm(), big(b"ANNO", b"x" * (MOST_TEXT_BYTES + 2 - more)), SSND)
    assert len(lacking(tmp_path, original, copy)) == more


HOSTILE = {
    "CAF, count beyond its end": (caf(desc(), info((b"tempo", b"120"), count=0xFFFFFFFF), DATA), ("tag tempo", "info")),
    "CAF, chunk beyond what is read": (
        caf(desc(), wide(b"info", struct.pack(">I", 2) + b"tempo\x00120\0key\0" + b"C" * MOST_TEXT_BYTES), DATA),
        ("tag tempo", "tag key", "info"),
    ),
    "CAF, nothing but zeros": (caf(desc(), wide(b"info", b"\xff" * 4 + bytes(MOST_TEXT_BYTES)), DATA), ("info",)),
    "FLAC, count and length beyond the block": (
        b"fLaC"
        + streaminfo()
        + block(4, struct.pack("<I", 4) + b"test" + struct.pack("<II", 0xFFFFFFFF, 0xFFFFFFF0) + b"MOOD=x", last=True),
        ("tag MOOD", "VORBIS_COMMENT"),
    ),
    "FLAC, vendor beyond the block": (
        b"fLaC" + streaminfo() + block(4, struct.pack("<I", 0xFFFFFFF0) + b"test", last=True),
        ("VORBIS_COMMENT",),
    ),
    "FLAC, more comments than are read": (
        b"fLaC" + streaminfo() + block(4, comments(*[b"A="] * (MOST_TAGS + 1)), last=True),
        ("VORBIS_COMMENT",),
    ),
}


@pytest.mark.parametrize(("content", "lost"), HOSTILE.values(), ids=HOSTILE.keys())
def test_tags_that_lie_about_their_size(tmp_path: Path, content: bytes, lost: tuple[str, ...]) -> None:
    """A count or a length beyond the end stops in time: what could be read is named, and that there is more."""
    assert lacking(tmp_path, content, BARE[content[:4]]) == lost


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


@pytest.mark.parametrize("left", [0, 1, 31])
def test_caf_cut_inside_its_description(tmp_path: Path, left: int) -> None:
    """A description that the file's end cuts describes no stream; that is no error of ours."""
    whole = caf(DATA, desc(b"lpcm"))
    path = tmp_path / "cut.caf"
    path.write_bytes(whole[: len(whole) - CAF_DESC_BYTES + left])
    with path.open("rb") as file:
        assert cut_caf_stream(file.fileno(), path.stat().st_size) is None
