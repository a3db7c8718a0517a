"""Runs a stem's blocks through its steps, one after the other, each with its state from block to block.

What comes out of a step is looked at, ours like everybody else's: its shape, its length, and that every sample is a
finite number.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol, cast

import numpy as np

from stager.errors import StepFailed
from stager.model import MAX_CHANNELS, PluginUse
from stager.steps.catalogue import own_plugin
from stager.steps.isolation import LIMITS, Limits, Worker, worker
from stager.steps.kinds import Samples, Step, Stream
from stager.steps.wire import WireError, packed, unpacked
from stager.stopping import check_stop

ZERO_FRAMES: Final = 1 << 16
MOST_SURPLUS_S: Final = 1.0
"""More than a second beyond what a step promised is no rounding of its length (own figure)."""
MOST_FRAMES_RATIO: Final = 512
"""A copy can't be longer than so many times its original, plus a minute: a wrong length would fill the disk."""

Source = Callable[[], Iterator[Samples]]


class Running(Protocol):
    """A step at work on one stem, in this process or another."""

    out: Stream
    latency_frames: int
    tail_frames: int
    listens_first: bool

    def listen(self, block: Samples) -> None:
        """Hear a block of the first pass."""

    def process(self, block: Samples) -> Samples:
        """Process a block."""

    def finish(self) -> Samples:
        """Give what is still inside."""


@dataclass(frozen=True)
class Work:
    """What steps are run on: the stem's name, the steps in order, the project's folder, and their limits."""

    stem: str
    uses: tuple[PluginUse, ...]
    folder: Path
    limits: Limits = LIMITS

    def label(self, use: PluginUse) -> str:
        """Give the words that begin every sentence about a plug-in of this stem."""
        return f"{self.stem}: {use.source.kind} {use.source.name!r} of {use.source.origin}"

    def first(self, count: int) -> "Work":
        """Give the same with only the first steps."""
        return Work(self.stem, self.uses[:count], self.folder, self.limits)


@contextmanager
def stepped(work: Work, stream: Stream, source: Source) -> Iterator[tuple[Stream, Iterator[Samples]]]:
    """Give the shape of what comes out of the last step, and its blocks; `source` starts the input anew.

    Raises:
        StepFailed: where a step can't do what it promised; also while the blocks are drawn.
    """
    with ExitStack() as stack:
        blocks, shape = source(), stream
        for place, use in enumerate(work.uses):
            step = stack.enter_context(opened(work, use, shape))
            if step.listens_first:
                with stepped(work.first(place), stream, source) as (_, first):
                    for block in first:
                        step.listen(block)
            blocks = _through(work.label(use), step, shape, blocks)
            shape = step.out
        yield shape, blocks


@contextmanager
def opened(work: Work, use: PluginUse, stream: Stream) -> Iterator[Running]:
    """Start a step for one stem, here or in a worker.

    Raises:
        StepFailed: where it can't be started, or promises what is no stream of audio.
    """
    with ExitStack() as stack:
        if use.source.own and not use.source.isolated:
            step: Running = _own_step(work.label(use), use, stream)
        else:
            process = stack.enter_context(worker(use.source, work.folder, work.label(use), work.limits))
            step = RemoteStep(process, use, stream)
        _check_promise(work.label(use), step, stream)
        yield step


def _own_step(label: str, use: PluginUse, stream: Stream) -> Step:
    plugin = own_plugin(use.source)
    settings = plugin.settings.model_validate(use.settings)
    try:
        return cast("Any", plugin)(settings, stream)  # type: ignore[no-any-return]
    except ValueError as error:
        raise StepFailed(f"{label}: {error}") from error


class RemoteStep:
    """A step in a worker's process."""

    def __init__(self, process: Worker, use: PluginUse, stream: Stream) -> None:
        self._process = process
        asked = [stream.sample_rate_hz, stream.channels, stream.frames]
        told, _ = process.ask("open", settings=use.settings, stream=asked)
        self.out = Stream(*told["out"])
        self.latency_frames: int = told["latency_frames"]
        self.tail_frames: int = told["tail_frames"]
        self.listens_first: bool = told["listens_first"]

    def listen(self, block: Samples) -> None:
        """Hear a block of the first pass."""
        self._process.ask("listen", packed(block))

    def process(self, block: Samples) -> Samples:
        """Process a block."""
        return self._block(self._process.ask("process", packed(block))[1])

    def finish(self) -> Samples:
        """Give what is still inside."""
        return self._block(self._process.ask("finish")[1])

    def _block(self, payload: bytes) -> Samples:
        try:
            return unpacked(payload, self.out.channels)
        except WireError as error:
            raise self._process.failed(str(error)) from error


def _check_promise(label: str, step: Running, stream: Stream) -> None:
    out = step.out
    most = MOST_FRAMES_RATIO * stream.frames + 60 * max(1, out.sample_rate_hz)
    held = (step.latency_frames, step.tail_frames)
    fits = 1 <= out.channels <= MAX_CHANNELS and 1_000 <= out.sample_rate_hz <= 1_000_000
    if not fits or not 1 <= out.frames <= most or not all(0 <= frames <= most for frames in held):
        raise StepFailed(f"{label}: promises {out}, latency and tail {held}, which is no stream of audio")


def _through(label: str, step: Running, stream: Stream, blocks: Iterator[Samples]) -> Iterator[Samples]:
    """Give what comes out of a step: its latency dropped, cut to the length that it promised."""
    drop, left = step.latency_frames, step.out.frames
    surplus = round(MOST_SURPLUS_S * step.out.sample_rate_hz)
    for block in _answers(step, stream, blocks):
        _check_block(label, step, block)
        kept = block[drop:]
        drop -= len(block) - len(kept)
        if len(kept) > left + surplus:
            raise StepFailed(f"{label}: wrong length: expected {step.out.frames} frames, found more")
        surplus -= max(0, len(kept) - left)
        kept = kept[:left]
        left -= len(kept)
        if len(kept):
            yield kept
    if left:
        found = step.out.frames - left
        raise StepFailed(f"{label}: wrong length: expected {step.out.frames} frames, found {found}")


def _answers(step: Running, stream: Stream, blocks: Iterator[Samples]) -> Iterator[Samples]:
    """Feed the input, the zeros behind it, and ask for what is left."""
    for block in blocks:
        yield step.process(block)
    for start in range(0, zeros := step.tail_frames + step.latency_frames, ZERO_FRAMES):
        check_stop()
        yield step.process(np.zeros((min(ZERO_FRAMES, zeros - start), stream.channels)))
    yield step.finish()


def _check_block(label: str, step: Running, block: Samples) -> None:
    if block.ndim != 2 or block.shape[1] != step.out.channels:
        raise StepFailed(f"{label}: wrong shape: expected (frames, {step.out.channels}), found {block.shape}")
    if not np.isfinite(block).all():
        raise StepFailed(f"{label}: gave samples that are no numbers (NaN or infinity)")


def stamps_of(uses: Sequence[PluginUse]) -> tuple[Any, ...]:
    """Give what a sidecar keeps of these steps."""
    return tuple(use.stamp() for use in uses)
