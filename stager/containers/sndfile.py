"""The only module that imports soundfile: AIFF, CAF and FLAC are read and written through libsndfile.

What its version 1.2.2 does to samples was measured: reading to float64 is exact for every integer code, writing int32
into a shallower encoding is exact, writing floats into integers would floor and is never done. A `PEAK` chunk would
carry the time of day; it is switched off.
"""

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

import soundfile
from numpy.typing import NDArray

from stager.containers.foreign import Metadata, cut_caf_stream, missing, read_metadata
from stager.containers.pcm import Samples
from stager.containers.requantise import Gain
from stager.containers.source import BLOCK_SAMPLES, AudioFile, Digest, reading
from stager.errors import CopyWrong, NoSpace, PlaceError, TruncatedStem, UnreadableStem, UnsupportedStem
from stager.model import MAX_CHANNELS, Encoding, StreamInfo
from stager.system.cancel import check_stop
from stager.system.printable import shown

FORMATS: Final = {"AIFF": "AIFF", "AIFC": "AIFF", "CAF": "CAF", "FLAC": "FLAC"}
ADD_PEAK_CHUNK: Final = 0x1050
TAGS: Final = ("title", "artist", "album", "date", "genre", "copyright", "comment", "license", "tracknumber")
"""Tags that the library writes as given; it adds its own name to `software`, so that one is left out."""
SHORTENED: Final = ("AIFF", "CAF")
"""Where the header is written anew before the first samples, and shorter without a `PEAK`: what the longer one left
behind a few frames would count as audio."""
FULL_BLOCKS: Final = 16
"""A file system with fewer free blocks than this is full: libsndfile's own sentence is "System error" for all."""


@dataclass(frozen=True)
class ForeignFile(AudioFile):
    """An open AIFF, CAF or FLAC file."""

    around: Metadata
    endian: str

    @property
    def unfinished(self) -> str | None:
        """Why header and length disagree, or None where the file is whole, by its header."""
        return self.around.unfinished

    @property
    def promised_s(self) -> float | None:
        """Not known: the library has cut the count to what is there."""
        return None

    def blocks(self, digest: Digest | None = None) -> Iterator[Samples]:
        """Yield the samples in order, as every `AudioFile` does; the digest takes the file before the samples are read.

        Raises:
            TruncatedStem: where the decoder stops before the end that the header names.
        """
        self.digest_stretch(digest, 0, self.file_bytes)
        seen, frames = 0, max(1, BLOCK_SAMPLES // self.info.channels)
        with _opened(self.path, self.descriptor) as sound:
            while len(block := self._next(sound, frames, seen)):
                seen += len(block)
                yield block
                check_stop()
        if seen != self.info.frames:
            self._cut_at(seen)

    def stretch(self, start: int, stop: int) -> Iterator[Samples]:
        """Yield the frames from `start` up to `stop`, as every `AudioFile` does; seeking is exact, in FLAC too."""
        frames = max(1, BLOCK_SAMPLES // self.info.channels)
        with _opened(self.path, self.descriptor) as sound:
            sound.seek(start)
            for at in range(start, stop, frames):
                check_stop()
                block = self._next(sound, min(frames, stop - at), at)
                if len(block) < min(frames, stop - at):
                    self._cut_at(at + len(block))
                yield block

    def tags(self) -> Mapping[str, str]:
        """Return the tags that the library knows, but for the name of the software."""
        with _opened(self.path, self.descriptor) as sound:
            return {name: text for name, text in sound.copy_metadata().items() if name in TAGS and text}

    def _next(self, sound: soundfile.SoundFile, frames: int, seen: int) -> Samples:
        try:
            block: Samples = sound.read(frames, dtype="float64", always_2d=True)
        except soundfile.LibsndfileError:
            self._cut_at(seen)
        return block

    def _cut_at(self, seen: int) -> None:
        expected, found = self.info.duration_s, seen / self.info.sample_rate_hz
        raise TruncatedStem(shown(self.path.name), f"expected {expected:.2f} s, the audio breaks off at {found:.2f} s")


def parse_foreign(path: Path, descriptor: int, file_bytes: int, head: bytes) -> ForeignFile:
    """Read the header of an open file that `is_foreign`.

    Raises:
        UnreadableStem: where the library can't make sense of it.
        UnsupportedStem: where it is compressed with loss, or too rare to be trusted.
    """
    with reading(path):
        around = read_metadata(descriptor, file_bytes, head)
    name = shown(path.name)
    if around.twice is not None:
        raise UnreadableStem(name, f"expected one {around.twice} chunk, found more")
    if around.odd_codec is not None:
        raise UnsupportedStem(name, f"expected integer PCM or float, found {around.container} with {around.odd_codec}")
    cut = cut_caf_stream(descriptor, file_bytes) if around.container == "CAF" and around.unfinished else None
    if cut is not None:
        return ForeignFile(path, descriptor, cut, file_bytes, around, "FILE")
    with _opened(path, descriptor) as sound:
        if sound.subtype not in {encoding.value for encoding in Encoding} or not 0 < sound.channels <= MAX_CHANNELS:
            found = f"{sound.subtype} in {sound.channels} channels"
            raise UnsupportedStem(
                name, f"expected PCM of 16 to 32 bits or float, 1 to {MAX_CHANNELS} channels, found {found}"
            )
        encoding, endian = Encoding(sound.subtype), str(sound.endian)
        frames = 0 if around.unfinished and sound.frames > file_bytes else sound.frames
        info = StreamInfo(
            container=around.container,
            encoding=encoding,
            valid_bits=8 * encoding.sample_bytes if encoding.is_integer else 0,
            sample_rate_hz=sound.samplerate,
            channels=sound.channels,
            frames=frames,
        )
    return ForeignFile(path, descriptor, info, file_bytes, around, endian)


def write_foreign(
    source: ForeignFile,
    info: StreamInfo,
    gain: Gain,
    out: BinaryIO,
    seen: Digest,
    blocks: Iterator[Samples] | None = None,
) -> tuple[str, ...]:
    """Write a copy in the same container, as `info` says; returns the names of what it could not carry.

    The bytes of the original pass through `seen`; where `blocks` are given, the samples come from them, and they see to
    that.

    Raises:
        UnsupportedStem: where the container can't hold the encoding.
        NoSpace: where the disk is full.
        PlaceError: where the library can't write the copy, or can't read it again.
    """
    form = FORMATS[source.info.container]
    if not soundfile.check_format(form, info.encoding.value):
        raise UnsupportedStem(shown(source.path.name), f"expected an encoding that {form} holds, found {info.encoding}")
    with _drafting(source.path, out):
        with _writing(out, source, info, form) as sound:
            for name, text in source.tags().items():
                setattr(sound, name, text)
            first_frame = 0
            for block in blocks or source.blocks(seen):
                _put(sound, gain.left_justified(block, info, first_frame))
                first_frame += len(block)
        return missing(source.around, _finished(out, first_frame))


@contextmanager
def _opened(path: Path, descriptor: int) -> Iterator[soundfile.SoundFile]:
    """The library's view of an open file; translates its errors."""
    duplicate = os.dup(descriptor)
    os.lseek(duplicate, 0, os.SEEK_SET)
    try:
        with soundfile.SoundFile(duplicate) as sound:
            yield sound
    except soundfile.LibsndfileError as error:
        raise UnreadableStem(shown(path.name), f"expected audio, the decoder found: {error.error_string}") from error


@contextmanager
def _drafting(path: Path, out: BinaryIO) -> Iterator[None]:
    """Translate what the library says about a copy; errors of the original have been translated when they get here."""
    try:
        yield
    except soundfile.SoundFileRuntimeError as error:
        disk, name = os.fstatvfs(out.fileno()), shown(path.name)
        if disk.f_bavail < FULL_BLOCKS:
            left = f"{disk.f_bavail * disk.f_frsize:,} bytes"
            raise NoSpace(f"{name}: expected room to write its copy, found {left} left on that disk") from error
        found = getattr(error, "error_string", None) or str(error)
        raise PlaceError(f"{name}: expected to write its copy, the encoder found: {found}") from error


@contextmanager
def _writing(out: BinaryIO, source: ForeignFile, info: StreamInfo, form: str) -> Iterator[soundfile.SoundFile]:
    options: dict[str, Any] = {"subtype": info.encoding.value, "format": form}
    if form != "FLAC":
        options["endian"] = source.endian
    with soundfile.SoundFile(os.dup(out.fileno()), "w", info.sample_rate_hz, info.channels, **options) as sound:
        soundfile._snd.sf_command(sound._file, ADD_PEAK_CHUNK, soundfile._ffi.NULL, 0)  # noqa: SLF001
        if form in SHORTENED:
            os.ftruncate(out.fileno(), 0)
        yield sound


def _put(sound: soundfile.SoundFile, codes: NDArray[Any]) -> None:
    """Write a block; that fewer frames were taken is no error to the library's binding, but a failed assertion."""
    try:
        sound.write(codes)
    except AssertionError as error:
        raise soundfile.SoundFileRuntimeError("fewer frames written than given") from error


def _finished(out: BinaryIO, frames: int) -> Metadata:
    """Return the metadata of the finished copy; one that lost frames on the way to the disk is a failed one."""
    descriptor = out.fileno()
    os.lseek(descriptor, 0, os.SEEK_SET)
    with soundfile.SoundFile(os.dup(descriptor)) as sound:
        if sound.frames > frames:
            raise CopyWrong("", f"expected a copy of {frames} frames, found {sound.frames} in it")
        if sound.frames != frames:
            raise soundfile.SoundFileRuntimeError(f"{sound.frames} frames of {frames}")
    return read_metadata(descriptor, os.fstat(descriptor).st_size, os.pread(descriptor, 12, 0))
