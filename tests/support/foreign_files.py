"""AIFF, AIFF-C, CAF and FLAC: files by libsndfile with more chunks put in by struct, and headers by struct alone.

Sources: AIFF and AIFF-C (big-endian chunks in a FORM), the Core Audio Format (big-endian chunks with 64-bit sizes),
FLAC (metadata blocks of one byte of kind and three of size).
"""

import io
import struct
from typing import Final

import numpy as np
import soundfile

from tests.support.wavefile import Array

RATE_80_BIT: Final = bytes.fromhex("400ebb80000000000000")
"""48,000 as an 80-bit float."""
TITLE: Final = "Salt Road"


def written(samples: Array, form: str, subtype: str, endian: str = "FILE") -> bytes:
    """Return a file by libsndfile, with a title."""
    out = io.BytesIO()
    with soundfile.SoundFile(out, "w", 48_000, samples.shape[1], subtype, endian, form) as sound:
        sound.title = TITLE
        sound.write(samples)
    return out.getvalue()


def with_aiff_chunks(content: bytes, *chunks: tuple[bytes, bytes]) -> bytes:
    """Put chunks behind those of an AIFF file."""
    added = b"".join(name + struct.pack(">I", len(body)) + body + bytes(len(body) & 1) for name, body in chunks)
    return content[:4] + struct.pack(">I", len(content) + len(added) - 8) + content[8:] + added


def with_caf_chunks(content: bytes, *chunks: tuple[bytes, bytes]) -> bytes:
    """Put chunks behind those of a CAF file."""
    return content + b"".join(name + struct.pack(">q", len(body)) + body for name, body in chunks)


def with_flac_blocks(content: bytes, *blocks: tuple[int, bytes]) -> bytes:
    """Put metadata blocks behind STREAMINFO, the first block of a FLAC file."""
    added = b"".join(bytes([kind]) + len(body).to_bytes(3, "big") + body for kind, body in blocks)
    return content[:42] + added + content[42:]


def flac_picture() -> bytes:
    """Return a PICTURE block's body with an invented image of four bytes."""
    return (
        struct.pack(">I", 3) + struct.pack(">I", 9) + b"image/png" + struct.pack(">6I", 0, 1, 1, 24, 0, 4) + b"\x89PNG"
    )


def vorbis_comments(**fields: str) -> bytes:
    """Return a VORBIS_COMMENT block's body."""
    texts = [f"{name}={text}".encode() for name, text in fields.items()]
    body = b"".join(struct.pack("<I", len(text)) + text for text in texts)
    return struct.pack("<I", 4) + b"test" + struct.pack("<I", len(texts)) + body


def mark() -> bytes:
    """Return an AIFF marker chunk with one marker."""
    return struct.pack(">HHI", 1, 1, 480) + b"\x05verse"


def compressed_aiff(codec: bytes) -> bytes:
    """Return an AIFF-C file of a compressed codec; there is nothing behind its header that a decoder could read."""
    comm = struct.pack(">hIh", 1, 0x7FFFFFFF, 16) + RATE_80_BIT + codec + b"\x00\x00"
    body = b"AIFC"
    for name, payload in ((b"FVER", bytes.fromhex("a2805140")), (b"COMM", comm), (b"SSND", bytes(8) + b"\xff" * 64)):
        body += name + struct.pack(">I", len(payload)) + payload
    return b"FORM" + struct.pack(">I", len(body)) + body


def compressed_caf(codec: bytes) -> bytes:
    """Return a CAF file of a compressed codec; there is nothing behind its header that a decoder could read."""
    desc = struct.pack(">d4sIIIII", 48_000.0, codec, 0, 0, 4_096, 1, 0)
    head = b"caff" + struct.pack(">HH", 1, 0)
    return with_caf_chunks(head, (b"desc", desc), (b"data", bytes(4) + b"\xff" * 64))


def codes(path: object) -> tuple[Array, int]:
    """Read integer samples as codes of their own grid by libsndfile, with the bits of that grid."""
    with soundfile.SoundFile(path) as sound:
        bits = int(sound.subtype.removeprefix("PCM_"))
        return sound.read(dtype="int32", always_2d=True).astype(np.int64) >> (32 - bits), bits
