"""Runs a stem's steps and measures what comes out; the samples are kept in a raw float64 draft where a copy needs them.

The trim is decided on these figures, and the copy is written from these samples: the steps run once.
"""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np

from stager.analysis.analyse import Processed, StemAnalysis
from stager.analysis.panel import Panel
from stager.containers import BLOCK_SAMPLES, AudioFile, open_audio
from stager.errors import StepFailed
from stager.model import Encoding, StreamInfo
from stager.plugins.chain import Work, stamps_of, stepped
from stager.plugins.kinds import Samples, Stream
from stager.plugins.opinions import extra_figures
from stager.project import StemSettings
from stager.system.files import Draft, draft_in, placing

SPEAKER_FRONT_CENTER: Final = 4
DTYPE: Final = "<f8"


@contextmanager
def with_plugins(
    settings: StemSettings, path: Path, analysis: StemAnalysis, state: Path, *, keep: bool
) -> Iterator[StemAnalysis]:
    """Yield the analysis with what the stem's steps and meters give; with `keep`, for as long, the samples are kept.

    They are kept in the folder `state`, also where a meter is to read them.

    Raises:
        StemError: where a plug-in fails, or the original can't be read any more.
        PlaceError: where the samples can't be kept.
    """
    steps, meters = (Work(settings.stem, settings.plugins_of(kind), settings.folder) for kind in ("step", "meter"))
    with ExitStack() as stack:
        if steps.uses:
            keep_in = state if keep or meters.uses else None
            analysis = replace(analysis, processed=stack.enter_context(processing(steps, path, keep_in=keep_in)))
        if meters.uses:
            blocks = (analysis.processed and analysis.processed.blocks) or partial(_blocks_of, path)
            figures = extra_figures(meters, stream_of(analysis.figures.info), blocks)
            analysis = replace(analysis, extra=figures)
        yield analysis


def _blocks_of(path: Path) -> Iterator[Samples]:
    with open_audio(path, settle_s=0.0) as source:
        yield from source.blocks()


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
        raise StepFailed(work.stem, "its steps gave samples that are no level at all")
    if draft:
        with placing(draft.path):
            draft.file.flush()
    return Processed(measured, stamps_of(work.uses), partial(_kept_blocks, draft, info.channels) if draft else None)


def _kept_blocks(draft: Draft, channels: int) -> Iterator[Samples]:
    """Yield the kept samples in order, (frames, channels) float64."""
    block_bytes = 8 * channels * max(1, BLOCK_SAMPLES // channels)
    with placing(draft.path, "read"):
        draft.file.seek(0)
        while raw := draft.file.read(block_bytes):
            yield np.frombuffer(raw, DTYPE).reshape(-1, channels).astype(np.float64)


def stream_of(info: StreamInfo) -> Stream:
    """Return a file's stream as its steps see it."""
    return Stream(info.sample_rate_hz, info.channels, info.frames)


def stepped_info(original: StreamInfo, shape: Stream) -> StreamInfo:
    """Return the stream of what comes out of the steps: 64-bit float; with another channel count, no speaker mask."""
    changes = {
        "encoding": Encoding.DOUBLE,
        "valid_bits": 0,
        "sample_rate_hz": shape.sample_rate_hz,
        "channels": shape.channels,
        "frames": shape.frames,
        "channel_mask": _mask(original, shape.channels),
    }
    return original.model_copy(update=changes)


def _mask(original: StreamInfo, channels: int) -> int:
    if channels == original.channels or not original.channel_mask:
        return original.channel_mask
    return SPEAKER_FRONT_CENTER if channels == 1 else 0
