"""What a stem's steps make of it, measured; kept in a draft of raw float64 samples where a copy comes from it.

The trim is decided on these figures, and the copy is written from these samples: the steps run once.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from stager.containers import BLOCK_SAMPLES, AudioFile, open_audio
from stager.errors import StepFailed
from stager.files import Draft, draft_in, placing
from stager.meters import Measured, Panel
from stager.model import Encoding, StepStamp, StreamInfo
from stager.steps.kinds import Samples, Stream
from stager.steps.running import Work, stamps_of, stepped

SPEAKER_FRONT_CENTER: Final = 4
DTYPE: Final = "<f8"


@dataclass(frozen=True)
class Processed:
    """A stem as its steps left it: its figures, what a sidecar keeps of the steps, and its samples (None: not kept).

    `original` is the stream of the original; `measured.info` that of the samples, which are 64-bit float.
    """

    original: StreamInfo
    measured: Measured
    stamps: tuple[StepStamp, ...]
    draft: Draft | None

    @property
    def names(self) -> tuple[str, ...]:
        """The names of its steps."""
        return tuple(stamp.name for stamp in self.stamps)

    @property
    def as_original(self) -> StreamInfo:
        """The stream of a copy in the original's encoding, with the rate, channels and length that the steps gave."""
        return in_encoding_of(self.original, self.measured.info)

    def blocks(self) -> Iterator[Samples]:
        """Give the samples in order, (frames, channels) float64; they must have been kept."""
        assert self.draft is not None
        channels = self.measured.info.channels
        block_bytes = 8 * channels * max(1, BLOCK_SAMPLES // channels)
        with placing(self.draft.path, "read"):
            self.draft.file.seek(0)
            while raw := self.draft.file.read(block_bytes):
                yield np.frombuffer(raw, DTYPE).reshape(-1, channels).astype(np.float64)


@contextmanager
def processing(work: Work, path: Path, *, keep_in: Path | None) -> Iterator[Processed]:
    """Run a stem's steps and measure what comes out; with `keep_in`, its samples lie in a draft there for as long.

    Raises:
        StemError: where a step fails, or the original can't be read any more.
        PlaceError: where the samples can't be kept.
    """
    draft = draft_in(keep_in) if keep_in else None
    try:
        with open_audio(path, settle_s=0.0) as source:
            yield _processed(work, source, draft)
    finally:
        if draft:
            draft.discard()


def _processed(work: Work, source: AudioFile, draft: Draft | None) -> Processed:
    with stepped(work, stream_of(source.info), source.blocks) as (shape, blocks):
        info = stepped_info(source.info, shape)
        panel = Panel(info)
        for block in blocks:
            if draft:
                with placing(draft.path):
                    draft.file.write(np.ascontiguousarray(block, DTYPE).tobytes())
            panel.update(np.array(block))
    measured = panel.result()
    if measured.not_finite_frame is not None:  # beyond +360 dBFS, which is a number and yet no level
        raise StepFailed(f"{work.stem}: its steps gave samples that are no level at all")
    if draft:
        with placing(draft.path):
            draft.file.flush()
    return Processed(source.info, measured, stamps_of(work.uses), draft)


def stream_of(info: StreamInfo) -> Stream:
    """Give a file's stream as its steps see it."""
    return Stream(info.sample_rate_hz, info.channels, info.frames)


def stepped_info(original: StreamInfo, shape: Stream) -> StreamInfo:
    """Give the stream of what comes out of the steps: 64-bit float; another count of channels has no speakers' mask."""
    changes = {
        "encoding": Encoding.DOUBLE,
        "valid_bits": 0,
        "sample_rate_hz": shape.sample_rate_hz,
        "channels": shape.channels,
        "frames": shape.frames,
        "channel_mask": _mask(original, shape.channels),
    }
    return original.model_copy(update=changes)


def in_encoding_of(original: StreamInfo, info: StreamInfo) -> StreamInfo:
    """Give the stream of the samples in the original's encoding."""
    return info.model_copy(update={"encoding": original.encoding, "valid_bits": original.valid_bits})


def _mask(original: StreamInfo, channels: int) -> int:
    if channels == original.channels or not original.channel_mask:
        return original.channel_mask
    return SPEAKER_FRONT_CENTER if channels == 1 else 0
