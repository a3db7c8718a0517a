"""Files of the WAVE family, read by ourselves: RIFF, RF64, BW64, W64."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from stager.containers.fmt import EXTENSIBLE_BYTES, parse_format
from stager.containers.pcm import Samples, decode
from stager.containers.riff import UNKNOWN_SIZE, Chunk, Finish, Layout, walk
from stager.containers.source import BLOCK_SAMPLES, AudioFile, Digest, reading
from stager.containers.w64 import is_w64, walk_w64
from stager.model import StreamInfo
from stager.names import shown
from stager.stopping import check_stop

FORMS: Final = {b"RIFF": "RIFF", b"RF64": "RF64", b"BW64": "BW64"}


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
        return None if self.layout.finish is Finish.COMPLETE else self.layout.finish.value

    @property
    def promised_s(self) -> float | None:
        """How many seconds the header promises, where it says."""
        data = self.layout.first(b"data")
        if data is None or data.size in (0, UNKNOWN_SIZE):
            return None
        return data.size / self.frame_bytes / self.info.sample_rate_hz

    @property
    def may_be_kept(self) -> bool:
        """All is read by ourselves."""
        return True

    def blocks(self, digest: Digest | None = None) -> Iterator[Samples]:
        """Give the samples in order, as every `AudioFile` does."""
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
        """Give the frames of a stretch, as every `AudioFile` does."""
        for at in range(start, stop, self._block_frames):
            check_stop()
            count = min(self._block_frames, stop - at)
            yield decode(self.read(self.audio_start + at * self.frame_bytes, count * self.frame_bytes), self.info)


def is_wave(head: bytes) -> bool:
    """Say whether a file begins as one of the WAVE family does; it takes its first 40 bytes."""
    return (head[:4] in FORMS and head[8:12] == b"WAVE") or is_w64(head)


def parse_wave(path: Path, descriptor: int, file_bytes: int) -> WaveFile:
    """Read the header of an open file that `is_wave`.

    Raises:
        UnreadableStem: where its format chunk makes no sense.
        UnsupportedStem: where the encoding, the rate or the channels are not staged.
    """
    with reading(path):
        head = os.pread(descriptor, 4, 0)
        layout = walk(descriptor, file_bytes, FORMS[head]) if head in FORMS else walk_w64(descriptor, file_bytes)
        chunk = layout.first(b"fmt ")
        fmt = os.pread(descriptor, min(chunk.size, EXTENSIBLE_BYTES), chunk.start) if chunk else b""
    found = parse_format(shown(path.name), fmt)
    audio = layout.first(b"data") or Chunk(b"data", file_bytes, 0)
    promised = file_bytes - audio.start if audio.size in (0, UNKNOWN_SIZE) else audio.size
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
