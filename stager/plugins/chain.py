"""Runs a stem's blocks through its steps, one after the other; each step keeps its state between blocks.

The output of every step, built in or not, is checked: its shape, its length, and that every sample is finite.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol, cast

import numpy as np

from stager.model import MAX_CHANNELS, PluginUse
from stager.plugins.describing import own_plugin
from stager.plugins.isolation import LIMITS, Label, Limits, Worker, worker
from stager.plugins.kinds import Samples, Step, Stream
from stager.plugins.packing import packed, unpacked
from stager.plugins.wire import WireError
from stager.system.cancel import check_stop

ZERO_FRAMES: Final = 1 << 16
MOST_SURPLUS_S: Final = 1.0
"""Output longer than promised by more than this is an error of the step, not rounding (own figure)."""
MOST_FRAMES_RATIO: Final = 512
"""The longest output that a step may promise, in lengths of its input, plus a minute: a wrong one fills the disk."""

Source = Callable[[], Iterator[Samples]]


class RunningStep(Protocol):
    """A step that runs on one stem, in this process or in a worker."""

    out: Stream
    latency_frames: int
    tail_frames: int
    listens_first: bool

    def listen(self, block: Samples) -> None:
        """Take in a block of the first pass."""

    def process(self, block: Samples) -> Samples:
        """Process a block."""

    def finish(self) -> Samples:
        """Return the samples that are still buffered."""


@dataclass(frozen=True)
class Work:
    """One stem's plug-ins of a kind: the stem's name, the plug-ins in order, the project's folder, and the limits."""

    stem: str
    uses: tuple[PluginUse, ...]
    folder: Path
    limits: Limits = LIMITS

    def label(self, use: PluginUse) -> Label:
        """Return how every error names this plug-in: by stem, kind, name and origin."""
        return Label(f"{use.source.kind} {use.source.name!r} of {use.source.origin}", self.stem)

    def process(self, use: PluginUse) -> AbstractContextManager[Worker]:
        """Return the context in which the worker process of one of these plug-ins runs.

        Raises:
            StepFailed: where it can't be started.
        """
        return worker(use.source, self.folder, self.label(use), self.limits)

    def first(self, count: int) -> "Work":
        """Return the same with only the first `count` steps."""
        return Work(self.stem, self.uses[:count], self.folder, self.limits)


@contextmanager
def stepped(work: Work, stream: Stream, source: Source) -> Iterator[tuple[Stream, Iterator[Samples]]]:
    """Yield the shape of the last step's output, and its blocks; `source` starts a new pass over the input.

    Raises:
        StepFailed: where a step breaks its promise; also while the blocks are read.
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
def opened(work: Work, use: PluginUse, stream: Stream) -> Iterator[RunningStep]:
    """Start a step for one stem, in this process or in a worker.

    Raises:
        StepFailed: where it can't be started, or promises an impossible stream.
    """
    with ExitStack() as stack:
        if use.source.own and not use.source.isolated:
            step: RunningStep = _own_step(work.label(use), use, stream)
        else:
            step = RemoteStep(stack.enter_context(work.process(use)), use, stream)
        _check_promise(work.label(use), step, stream)
        yield step


def _own_step(label: Label, use: PluginUse, stream: Stream) -> Step:
    plugin = own_plugin(use.source)
    settings = plugin.settings.model_validate(use.settings)
    try:
        return cast("Any", plugin)(settings, stream)  # type: ignore[no-any-return]
    except ValueError as error:
        raise label.failed(str(error)) from error


class RemoteStep:
    """A step in a worker's process."""

    def __init__(self, process: Worker, use: PluginUse, stream: Stream) -> None:
        self._process = process
        shape = [stream.sample_rate_hz, stream.channels, stream.frames]
        promised, _ = process.ask("open", settings=use.settings, stream=shape)
        self.out = Stream(*promised["out"])
        self.latency_frames: int = promised["latency_frames"]
        self.tail_frames: int = promised["tail_frames"]
        self.listens_first: bool = promised["listens_first"]

    def listen(self, block: Samples) -> None:
        """Take in a block of the first pass."""
        self._process.ask("listen", packed(block))

    def process(self, block: Samples) -> Samples:
        """Process a block."""
        return self._block(self._process.ask("process", packed(block))[1])

    def finish(self) -> Samples:
        """Return the samples that are still buffered."""
        return self._block(self._process.ask("finish")[1])

    def _block(self, payload: bytes) -> Samples:
        try:
            return unpacked(payload, self.out.channels)
        except WireError as error:
            raise self._process.failed(str(error)) from error


def _check_promise(label: Label, step: RunningStep, stream: Stream) -> None:
    out = step.out
    most = MOST_FRAMES_RATIO * stream.frames + 60 * max(1, out.sample_rate_hz)
    held = (step.latency_frames, step.tail_frames)
    fits = 1 <= out.channels <= MAX_CHANNELS and 1_000 <= out.sample_rate_hz <= 1_000_000
    if not fits or not 1 <= out.frames <= most or not all(0 <= frames <= most for frames in held):
        raise label.failed(f"promises {out}, latency and tail {held}, which is no stream of audio")


def _through(label: Label, step: RunningStep, stream: Stream, blocks: Iterator[Samples]) -> Iterator[Samples]:
    """Yield the output of a step without its latency, cut to the length that it promised."""
    drop, left = step.latency_frames, step.out.frames
    surplus = round(MOST_SURPLUS_S * step.out.sample_rate_hz)
    for block in _raw_output(step, stream, blocks):
        _check_block(label, step, block)
        kept = block[drop:]
        drop -= len(block) - len(kept)
        if len(kept) > left + surplus:
            raise label.failed(f"wrong length: expected {step.out.frames} frames, found more")
        surplus -= max(0, len(kept) - left)
        kept = kept[:left]
        left -= len(kept)
        if len(kept):
            yield kept
    if left:
        found = step.out.frames - left
        raise label.failed(f"wrong length: expected {step.out.frames} frames, found {found}")


def _raw_output(step: RunningStep, stream: Stream, blocks: Iterator[Samples]) -> Iterator[Samples]:
    """Yield the raw output: for the input, for the zeros behind it, and what `finish` returns."""
    for block in blocks:
        yield step.process(block)
    for start in range(0, zeros := step.tail_frames + step.latency_frames, ZERO_FRAMES):
        check_stop()
        yield step.process(np.zeros((min(ZERO_FRAMES, zeros - start), stream.channels)))
    yield step.finish()


def _check_block(label: Label, step: RunningStep, block: Samples) -> None:
    if block.ndim != 2 or block.shape[1] != step.out.channels:
        raise label.failed(f"wrong shape: expected (frames, {step.out.channels}), found {block.shape}")
    if not np.isfinite(block).all():
        raise label.failed("returned samples that are no numbers (NaN or infinity)")


def stamps_of(uses: Sequence[PluginUse]) -> tuple[Any, ...]:
    """Return the stamps of these steps, as a sidecar stores them."""
    return tuple(use.stamp() for use in uses)
