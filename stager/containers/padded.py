"""A padded file: digital silence, the samples of another file bit for bit, and digital silence again, as WAVE.

Whatever the other file's container, its samples are stored as they are, in the same encoding; nothing is converted.
Sources: RIFF WAVE; ITU-R BS.2088 (RF64 where a file passes 4 GiB); EBU Tech 3285 (`bext`: time stamp, coding history).
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO, Final

import numpy as np

from stager.containers.bext import FIXED_BYTES, TIME_REFERENCE_AT, VERSION_AT, history_line, with_history
from stager.containers.chunks import fact_chunk
from stager.containers.fmt import SHORTEST, TAG_EXTENSIBLE, TAG_PCM, format_of_stream
from stager.containers.pcm import encode_codes, encode_floats
from stager.containers.riff import DS64_BYTES, HEADER_BYTES, UNKNOWN_SIZE
from stager.containers.source import COPY_BYTES, AudioFile, Digest
from stager.containers.wave import WaveFile
from stager.model import StreamInfo
from stager.system.cancel import check_stop

MOST_RIFF_BYTES: Final = 0xFFFFFFFF
BEXT_VERSION: Final = 1
NO_EXTENSION: Final = bytes(2)
"""What ends the format chunk of every encoding but PCM: the length of an extension, none."""
PLAIN_CHANNELS: Final = 2
"""Channels up to which a plain format chunk says which is which."""


@dataclass(frozen=True)
class Padding:
    """How many frames of digital silence come before and after the samples, and the time stamp of the first frame.

    `start_frames` counts from midnight, in frames of the file's own rate; None: the file gets no time stamp.
    """

    lead_frames: int = 0
    tail_frames: int = 0
    start_frames: int | None = None


def padded_info(info: StreamInfo, padding: Padding) -> StreamInfo:
    """Return the stream of a file once it is padded."""
    frames = padding.lead_frames + info.frames + padding.tail_frames
    return info.model_copy(update={"frames": frames, "container": "RIFF"})


def padded_pieces(source: AudioFile, padding: Padding, digest: Digest | None = None) -> Iterator[bytes]:
    """Yield the bytes of a padded file in order; every byte of the source passes through `digest`.

    Raises:
        ChangedStem, TruncatedStem: where the source turns out shorter than it was when it was opened.
        Stopped: where the process was told to stop.
    """
    for _, pieces in _parts(source, padding, digest):
        yield from pieces


def padded_difference(found: IO[bytes], source: AudioFile, padding: Padding) -> str | None:
    """Return the first part of a file that is not as `padded_pieces` has it, None where all is; reads to the end."""
    for what, pieces in _parts(source, padding, None):
        for piece in pieces:
            if found.read(len(piece)) != piece:
                return f"{what} differs"
    return "it goes on behind its end" if found.read(1) else None


def wave_head(info: StreamInfo, start_frames: int | None, what: str, fmt: bytes | None = None) -> bytes:
    """Return the bytes before the samples of a new WAVE file, as RF64 where RIFF's 32-bit sizes are too small.

    `what` goes into its coding history where it has a time stamp; `fmt` is the format chunk's payload whose kind, plain
    or extensible, it takes.
    """
    kind = fmt or struct.pack("<H", TAG_EXTENSIBLE if info.channels > PLAIN_CHANNELS else TAG_PCM)
    format_payload = format_of_stream(kind, info)
    if not info.encoding.is_integer and len(format_payload) == SHORTEST:
        format_payload += NO_EXTENSION
    chunks = [b"fmt " + struct.pack("<I", len(format_payload)) + format_payload]
    chunks += [] if info.encoding.is_integer else [fact_chunk(info)]
    chunks += [] if start_frames is None else [_bext(info, start_frames, what)]
    middle, audio_bytes = b"".join(chunks), audio_bytes_of(info)
    total = HEADER_BYTES + len(middle) + 8 + audio_bytes + audio_bytes % 2
    if total - 8 <= MOST_RIFF_BYTES:
        return b"RIFF" + struct.pack("<I", total - 8) + b"WAVE" + middle + b"data" + struct.pack("<I", audio_bytes)
    sizes = struct.pack("<QQQI", total + 8 + DS64_BYTES - 8, audio_bytes, info.frames, 0)
    ds64 = b"ds64" + struct.pack("<I", DS64_BYTES) + sizes
    top = b"RF64" + struct.pack("<I", UNKNOWN_SIZE) + b"WAVE" + ds64
    return top + middle + b"data" + struct.pack("<I", UNKNOWN_SIZE)


def audio_bytes_of(info: StreamInfo) -> int:
    """Return the bytes that the samples of a stream take."""
    return info.frames * info.channels * info.encoding.sample_bytes


def _parts(source: AudioFile, padding: Padding, digest: Digest | None) -> Iterator[tuple[str, Iterator[bytes]]]:
    """Yield the parts of a padded file in order, each with its name."""
    info = padded_info(source.info, padding)
    frame_bytes = info.channels * info.encoding.sample_bytes
    what = f"{padding.lead_frames} frames of silence; samples as they were; {padding.tail_frames} frames of silence"
    yield "its header", iter([wave_head(info, padding.start_frames, what, _format_of(source))])
    yield "the silence before its samples", _zeros(padding.lead_frames * frame_bytes)
    yield "what its samples are", _samples(source, digest)
    yield "the silence behind its samples", _zeros(padding.tail_frames * frame_bytes)
    yield "its last byte", iter([bytes(audio_bytes_of(info) % 2)])


def _format_of(source: AudioFile) -> bytes | None:
    chunk = source.layout.first(b"fmt ") if isinstance(source, WaveFile) else None
    return source.read(chunk.start, 2) if chunk else None


def _bext(info: StreamInfo, start_frames: int, what: str) -> bytes:
    fixed = bytearray(FIXED_BYTES)
    struct.pack_into("<Q", fixed, TIME_REFERENCE_AT, start_frames)
    struct.pack_into("<H", fixed, VERSION_AT, BEXT_VERSION)
    payload = with_history(bytes(fixed), history_line(info, what), align=2) or bytes(fixed)
    return b"bext" + struct.pack("<I", len(payload)) + payload


def _zeros(count: int) -> Iterator[bytes]:
    for at in range(0, count, COPY_BYTES):
        check_stop()
        yield bytes(min(COPY_BYTES, count - at))


def _samples(source: AudioFile, digest: Digest | None) -> Iterator[bytes]:
    """Yield the samples as they lie in a WAVE file; those of another container in the same encoding."""
    if isinstance(source, WaveFile):
        source.digest_stretch(digest, 0, source.audio_start)
        for portion in source.raw(source.audio_start, source.audio_end):
            if digest:
                digest.update(portion)
            yield portion
        source.digest_stretch(digest, source.audio_end, source.file_bytes)
        return
    encoding = source.info.encoding
    scale = 2.0 ** (8 * encoding.sample_bytes - 1)
    for block in source.blocks(digest):
        if encoding.is_integer:
            yield encode_codes(np.rint(block * scale).astype(np.int32), encoding)
        else:
            yield encode_floats(block, encoding)
