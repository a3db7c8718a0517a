"""Files of the WAVE family, read by ourselves: RIFF, RF64, BW64, W64."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from stager.containers.fmt import EXTENSIBLE_BYTES, parse_format
from stager.containers.pcm import Samples, decode
from stager.containers.riff import (
    UNKNOWN_SIZE,
    WIDE_FORMS,
    Chunk,
    Finish,
    Layout,
    chunks_behind,
    chunks_from,
    parts_of_list,
    walk,
)
from stager.containers.source import BLOCK_SAMPLES, AudioFile, Digest, reading
from stager.containers.w64 import TAIL, is_w64, walk_w64
from stager.errors import UnreadableStem
from stager.model import StreamInfo
from stager.system.cancel import check_stop
from stager.system.printable import shown

FORMS: Final = {b"RIFF": "RIFF", b"RF64": "RF64", b"BW64": "BW64"}
IN_NO_LIST: Final = (b"data", b"bext")
"""Parts of a LIST chunk at which some readers go on as if they were chunks of the file (libsndfile 1.2.2)."""
LONGEST_TAIL: Final = 1 << 20


@dataclass(frozen=True)
class WaveFile(AudioFile):
    """An open WAVE file, with its chunks; `audio_start` is the place of its first sample."""

    layout: Layout
    audio_start: int

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame: one sample of every channel."""
        return self.info.channels * self.info.encoding.sample_bytes

    @property
    def _block_frames(self) -> int:
        return max(1, BLOCK_SAMPLES // self.info.channels)

    @property
    def audio_end(self) -> int:
        """Where the last whole frame ends."""
        return self.audio_start + self.info.frames * self.frame_bytes

    @property
    def unfinished(self) -> str | None:
        """Why header and length disagree, or None where the file is whole."""
        finish = self.layout.finish
        if finish is Finish.CUT:
            return f"{finish.value}, by {self.missing_bytes:,} byte{'s' * (self.missing_bytes != 1)}"
        return None if finish is Finish.COMPLETE else finish.value

    @property
    def promised_s(self) -> float | None:
        """How many seconds the header promises, where it says."""
        data = self.layout.first(b"data")
        if data is None or data.size in (0, UNKNOWN_SIZE):
            return None
        return data.size / self.frame_bytes / self.info.sample_rate_hz

    @property
    def missing_bytes(self) -> int:
        """The number of bytes between the end of the file and the end that its header states."""
        ends = (self.layout.riff_size + 8, *(chunk.start + chunk.size for chunk in self.layout.chunks))
        return max(0, max(ends) - self.file_bytes)

    @property
    def may_be_kept(self) -> bool:
        """All is read by ourselves."""
        return True

    def blocks(self, digest: Digest | None = None) -> Iterator[Samples]:
        """Yield the samples in order, as every `AudioFile` does."""
        block_bytes = self._block_frames * self.frame_bytes
        self.digest_stretch(digest, 0, self.audio_start)
        for start in range(self.audio_start, self.audio_end, block_bytes):
            check_stop()
            raw = self.read(start, min(block_bytes, self.audio_end - start))
            if digest:
                digest.update(raw)
            yield decode(raw, self.info)
        self.digest_stretch(digest, self.audio_end, self.file_bytes)

    def stretch(self, start: int, stop: int) -> Iterator[Samples]:
        """Yield the frames from `start` up to `stop`, as every `AudioFile` does."""
        for at in range(start, stop, self._block_frames):
            check_stop()
            count = min(self._block_frames, stop - at)
            yield decode(self.read(self.audio_start + at * self.frame_bytes, count * self.frame_bytes), self.info)


def is_wave(head: bytes) -> bool:
    """Return whether a file begins as one of the WAVE family does; it takes its first 40 bytes."""
    return (head[:4] in FORMS and head[8:12] == b"WAVE") or is_w64(head)


def _check_order(name: str, descriptor: int, layout: Layout) -> None:
    """Refuse what readers disagree about: two format, data or `ds64` chunks, or a format behind the audio.

    Chunks behind the end that the header states count too, except in W64, which has been walked to its end.
    """
    once = (b"fmt ", b"data", *((b"ds64",) if layout.form in WIDE_FORMS else ()))
    behind = chunks_behind(descriptor, layout) if layout.form in FORMS.values() else ()
    names = [chunk.name for chunk in (*layout.chunks, *behind) if chunk.name in once]
    for twice in once:
        if names.count(twice) > 1:
            found = f"{names.count(twice)} of them"
            raise UnreadableStem(name, f"expected one {twice.decode().strip()} chunk, found {found}")
    names = [found for found in names if found != b"ds64"]
    if names[:2] == [b"data", b"fmt "]:
        raise UnreadableStem(name, "expected its fmt chunk before its data, found it behind")


def _check_lists(name: str, descriptor: int, layout: Layout) -> None:
    """Refuse a LIST chunk with what is no text in it: some readers go on there as if it were a chunk of the file."""
    lists = (chunk for chunk in layout.chunks if chunk.name == b"LIST" and layout.form in FORMS.values())
    parts = (part for chunk in lists for part in parts_of_list(descriptor, chunk, layout.file_bytes))
    hidden = next((part for part in parts if part in IN_NO_LIST), None)
    if hidden:
        raise UnreadableStem(name, f"expected LIST chunks of text, found {hidden.decode()} in one")


def _check_tail(name: str, descriptor: int, layout: Layout, audio: Chunk, rest: int) -> None:
    """Refuse a second format or audio that readers find who count otherwise behind the audio, of which `rest` is left.

    Some go on behind the last whole sample (scipy 1.16), some in W64 24 bytes too late (libsndfile 1.2.2).
    """
    end = audio.start + audio.size
    if layout.form == "W64":
        tail = os.pread(descriptor, LONGEST_TAIL, min(end, layout.file_bytes))
        found = [names for names in (b"data", b"fmt ") if names + TAIL in tail]
    else:
        starts = {end - rest, end - rest + (audio.size & 1)} if rest else set()
        behind = (chunk.name for at in starts for chunk in chunks_from(descriptor, at, layout.file_bytes))
        found = [names for names in behind if names in (b"data", b"fmt ")]
    if found:
        raise UnreadableStem(name, f"expected one {found[0].decode().strip()} chunk, found more")


def _check_sizes(name: str, descriptor: int, layout: Layout) -> None:
    """Refuse two lengths of the audio that disagree: some readers take that of `ds64`, some that of the data chunk."""
    audio = layout.first(b"data")
    if layout.wide is None or audio is None:
        return
    own = int.from_bytes(os.pread(descriptor, 4, audio.start - 4), "little")
    wide = int.from_bytes(os.pread(descriptor, 8, layout.wide.start + 8), "little")
    if own not in (wide, UNKNOWN_SIZE):
        found = f"{wide:,} bytes in ds64 and {own:,} in its data chunk"
        raise UnreadableStem(name, f"expected one length of its audio, found {found}")


def parse_wave(path: Path, descriptor: int, file_bytes: int) -> WaveFile:
    """Read the header of an open file that `is_wave`.

    Raises:
        UnreadableStem: where its format chunk makes no sense, or readers would disagree about its audio.
        UnsupportedStem: where the encoding, the rate or the channels are not staged.
    """
    with reading(path):
        head = os.pread(descriptor, 4, 0)
        layout = walk(descriptor, file_bytes, FORMS[head]) if head in FORMS else walk_w64(descriptor, file_bytes)
        _check_order(shown(path.name), descriptor, layout)
        _check_sizes(shown(path.name), descriptor, layout)
        _check_lists(shown(path.name), descriptor, layout)
        chunk = layout.first(b"fmt ")
        fmt = os.pread(descriptor, min(chunk.size, EXTENSIBLE_BYTES), chunk.start) if chunk else b""
    found = parse_format(shown(path.name), fmt)
    audio = layout.first(b"data") or Chunk(b"data", file_bytes, 0)
    never_written = audio.size == UNKNOWN_SIZE or (audio.size == 0 and audio in layout.chunks[-1:])
    promised = file_bytes - audio.start if never_written else audio.size
    if not never_written:
        with reading(path):
            _check_tail(shown(path.name), descriptor, layout, audio, promised % found.encoding.sample_bytes)
    info = StreamInfo(
        container=layout.form if layout.form != "RIFF" else "WAVEX" if found.is_extensible else "WAV",
        encoding=found.encoding,
        valid_bits=found.valid_bits,
        sample_rate_hz=found.sample_rate_hz,
        channels=found.channels,
        frames=max(0, min(promised, file_bytes - audio.start)) // found.frame_bytes,
        channel_mask=found.channel_mask,
    )
    return WaveFile(path, descriptor, info, file_bytes, layout, audio.start)
