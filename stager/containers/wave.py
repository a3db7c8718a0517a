"""Opens WAVE files for reading: what the header says, the samples block by block, the bytes for a hash."""

import os
import stat
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

from stager.containers.pcm import Samples, decode
from stager.containers.riff import UNKNOWN_SIZE, Chunk, Finish, Layout, walk
from stager.errors import ChangedStem, StillGrowingStem, TruncatedStem, UnreadableStem, UnsupportedStem
from stager.files import fingerprint, open_source
from stager.model import MAX_CHANNELS, Encoding, Fingerprint, StreamInfo
from stager.names import shown

BLOCK_SAMPLES: Final = 1 << 17
COPY_BYTES: Final = 1 << 20
SAMPLE_RATES_HZ: Final = (1_000, 1_000_000)
"""What counts as a sample rate (own limit); outside it a header is damaged or no stem."""

TAG_PCM: Final = 1
TAG_FLOAT: Final = 3
TAG_EXTENSIBLE: Final = 0xFFFE
SUBFORMAT_TAIL: Final = bytes.fromhex("000000001000800000aa00389b71")
"""The last 14 bytes of the sub-format of a WAVE_FORMAT_EXTENSIBLE header; the first two are the format tag."""

OTHER_MAGIC: Final = {
    b"RF64": "RF64",
    b"BW64": "BW64",
    b"riff": "W64",
    b"RIFX": "big-endian RIFF",
    b"FORM": "AIFF",
    b"caff": "CAF",
    b"fLaC": "FLAC",
    b"OggS": "Ogg",
    b"ID3\x03": "MP3",
    b"ID3\x04": "MP3",
}


class Digest(Protocol):
    """A running hash, as hashlib makes them."""

    def update(self, data: bytes | bytearray | memoryview, /) -> None:
        """Take in the next bytes."""


@dataclass(frozen=True)
class WaveFile:
    """An open WAVE file; `info` is its stream, `audio_start` the place of its first sample. Made by `open_wave`."""

    path: Path
    descriptor: int
    info: StreamInfo
    layout: Layout
    audio_start: int

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame: one sample of every channel."""
        return self.info.channels * self.info.encoding.sample_bytes

    @property
    def audio_end(self) -> int:
        """Where the last whole frame ends."""
        return self.audio_start + self.info.frames * self.frame_bytes

    @property
    def is_cut(self) -> bool:
        """Whether header and length disagree (only where `take_cut` let it through)."""
        return self.layout.finish is not Finish.COMPLETE

    def fingerprint(self) -> Fingerprint:
        """Ask the system what this open file is now."""
        return fingerprint(os.fstat(self.descriptor))

    def blocks(self, digest: Digest | None = None) -> Iterator[Samples]:
        """Give the samples in order, (frames, channels) float64, at most `BLOCK_SAMPLES` a block.

        With a digest, every byte of the file passes through it in order, those around the samples too.

        Raises:
            ChangedStem: where the file turns out shorter than it was when it was opened.
        """
        block_bytes = max(1, BLOCK_SAMPLES // self.info.channels) * self.frame_bytes
        self._pass(digest, 0, self.audio_start)
        for start in range(self.audio_start, self.audio_end, block_bytes):
            raw = self.read(start, min(block_bytes, self.audio_end - start))
            if digest:
                digest.update(raw)
            yield decode(raw, self.info)
        self._pass(digest, self.audio_end, self.layout.file_bytes)

    def read(self, start: int, count: int) -> bytes:
        """Read exactly so many bytes.

        Raises:
            ChangedStem: where they are not there.
        """
        with reading(self.path):
            raw = os.pread(self.descriptor, count, start)
            while raw and len(raw) < count:
                more = os.pread(self.descriptor, count - len(raw), start + len(raw))
                raw = raw + more if more else b""
        if len(raw) != count:
            raise ChangedStem(
                f"{shown(self.path.name)}: expected {count} bytes at {start}, and the file ends before them"
            )
        return raw

    def raw(self, start: int, end: int) -> Iterator[bytes]:
        """Give the bytes of a stretch in portions."""
        for position in range(start, end, COPY_BYTES):
            yield self.read(position, min(COPY_BYTES, end - position))

    def _pass(self, digest: Digest | None, start: int, end: int) -> None:
        if digest:
            for portion in self.raw(start, end):
                digest.update(portion)


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Translate what the system says while a stem is opened or read into one sentence about that stem.

    Raises:
        UnreadableStem: for every OSError.
    """
    try:
        yield
    except PermissionError as error:
        raise UnreadableStem(f"{shown(path.name)}: expected a readable file, found no permission to read it") from error
    except FileNotFoundError as error:
        raise UnreadableStem(f"{shown(path.name)}: expected a file, found nothing under this name") from error
    except OSError as error:
        raise UnreadableStem(f"{shown(path.name)}: the system can't read it: {error.strerror}") from error


@contextmanager
def open_wave(path: Path, *, settle_s: float, take_cut: bool = False) -> Iterator[WaveFile]:
    """Open a WAVE file for reading only; the file is neither locked nor changed.

    A file whose header and length disagree is refused; with `take_cut` one that was cut short is given as far as it
    goes. `settle_s` is how long ago it must have changed before a wrong header counts as final.

    Raises:
        UnreadableStem: not a regular file, not WAVE audio, without frames, or not permitted.
        UnsupportedStem: audio of another container or encoding, or with too many channels.
        StillGrowingStem: header and length disagree, and it changed within `settle_s`.
        TruncatedStem: they disagree, and it has been at rest for longer.
    """
    with reading(path):
        descriptor = open_source(path)
    try:
        yield _parse(path, descriptor, settle_s, take_cut=take_cut)
    finally:
        os.close(descriptor)


def _parse(path: Path, descriptor: int, settle_s: float, *, take_cut: bool) -> WaveFile:
    state = os.fstat(descriptor)
    if not stat.S_ISREG(state.st_mode):
        raise UnreadableStem(f"{shown(path.name)}: expected a regular file, found a folder, pipe or device")
    with reading(path):
        _check_magic(path, os.pread(descriptor, 12, 0))
        layout = walk(descriptor, state.st_size)
        fmt = _format_chunk(path, descriptor, layout)
    wave = _wave_of(path, descriptor, layout, fmt)
    if layout.finish is not Finish.COMPLETE:
        _refuse_unfinished(wave, time.time() - state.st_mtime, settle_s, take_cut=take_cut)
    if wave.info.frames == 0:
        raise UnreadableStem(f"{shown(path.name)}: expected audio, found a WAVE header with 0 frames behind it")
    return wave


def _check_magic(path: Path, head: bytes) -> None:
    if head[:4] == b"RIFF" and head[8:12] == b"WAVE":
        return
    if head[:4] in OTHER_MAGIC:
        raise UnsupportedStem(f"{shown(path.name)}: expected a RIFF/WAVE file, found {OTHER_MAGIC[head[:4]]}")
    found = repr(head[:12].decode("latin-1")) if head else "an empty file"
    raise UnreadableStem(f"{shown(path.name)}: expected audio in a RIFF/WAVE file, found {found}")


def _format_chunk(path: Path, descriptor: int, layout: Layout) -> bytes:
    chunk = layout.first(b"fmt ")
    fmt = os.pread(descriptor, min(chunk.size, 40), chunk.start) if chunk else b""
    if len(fmt) < 16:
        raise UnreadableStem(f"{shown(path.name)}: expected a format chunk of 16 bytes or more, found {len(fmt)} bytes")
    return fmt


def _wave_of(path: Path, descriptor: int, layout: Layout, fmt: bytes) -> WaveFile:
    tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", fmt)
    valid_bits, channel_mask = bits, 0
    if tag == TAG_EXTENSIBLE and len(fmt) == 40 and fmt[26:] == SUBFORMAT_TAIL:
        valid_bits = int.from_bytes(fmt[18:20], "little") or bits
        channel_mask, tag = int.from_bytes(fmt[20:24], "little"), int.from_bytes(fmt[24:26], "little")
    _check_shape(path, channels, rate_hz, frame_bytes)
    encoding = _encoding(path, tag, bits, valid_bits, frame_bytes // channels)
    audio = layout.first(b"data") or Chunk(b"data", layout.file_bytes, 0)
    promised = layout.file_bytes - audio.start if audio.size in (0, UNKNOWN_SIZE) else audio.size
    info = StreamInfo(
        container="WAV" if fmt[:2] != b"\xfe\xff" else "WAVEX",
        encoding=encoding,
        valid_bits=valid_bits if encoding.is_integer else 0,
        sample_rate_hz=rate_hz,
        channels=channels,
        frames=max(0, min(promised, layout.file_bytes - audio.start)) // frame_bytes,
        channel_mask=channel_mask,
    )
    return WaveFile(path, descriptor, info, layout, audio.start)


def _check_shape(path: Path, channels: int, rate_hz: int, frame_bytes: int) -> None:
    if channels == 0 or frame_bytes == 0 or frame_bytes % channels:
        raise UnreadableStem(
            f"{shown(path.name)}: expected whole samples, found {channels} channels in {frame_bytes} bytes"
        )
    if channels > MAX_CHANNELS:
        raise UnsupportedStem(f"{shown(path.name)}: expected 1 to {MAX_CHANNELS} channels, found {channels}")
    low, high = SAMPLE_RATES_HZ
    if not low <= rate_hz <= high:
        raise UnsupportedStem(f"{shown(path.name)}: expected a sample rate of {low} to {high} Hz, found {rate_hz} Hz")


def _encoding(path: Path, tag: int, bits: int, valid_bits: int, sample_bytes: int) -> Encoding:
    integers = {2: Encoding.PCM_16, 3: Encoding.PCM_24, 4: Encoding.PCM_32}
    floats = {4: Encoding.FLOAT, 8: Encoding.DOUBLE}
    whole = 8 * (sample_bytes - 1) < bits <= 8 * sample_bytes and 8 < valid_bits <= bits
    if tag == TAG_PCM and sample_bytes in integers and whole:
        return integers[sample_bytes]
    if tag == TAG_FLOAT and sample_bytes in floats and bits == 8 * sample_bytes:
        return floats[sample_bytes]
    found = f"format tag {tag} with {valid_bits} of {bits} bits in {sample_bytes} bytes"
    raise UnsupportedStem(f"{shown(path.name)}: expected 16, 24 or 32-bit integer or 32 or 64-bit float, found {found}")


def _refuse_unfinished(wave: WaveFile, age_s: float, settle_s: float, *, take_cut: bool) -> None:
    """Say that header and length disagree: for now, or, at rest, for good."""
    name, why, there_s = shown(wave.path.name), wave.layout.finish.value, wave.info.duration_s
    if abs(age_s) < settle_s:
        raise StillGrowingStem(f"{name}: {why}, and it changed {abs(age_s):.1f} s ago: still being written")
    if take_cut:
        return
    data = wave.layout.first(b"data")
    if data and data.size not in (0, UNKNOWN_SIZE):
        promised_s = data.size / wave.frame_bytes / wave.info.sample_rate_hz
        raise TruncatedStem(f"{name}: expected {promised_s:.2f} s as its header says, found {there_s:.2f} s: {why}")
    raise TruncatedStem(f"{name}: {why}: {there_s:.2f} s of audio are there, whether it is all of it can't be known")


def fingerprint_of(path: Path) -> Fingerprint:
    """Ask the system what lies under this name now.

    Raises:
        UnreadableStem: where nothing can be asked.
    """
    with reading(path):
        return fingerprint(path.stat())
