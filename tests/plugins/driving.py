"""Drives one step the way a stem does: blocks of any cut in, one array out."""

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from stager.plugins import Samples, Step, Stream
from tests.support.signals import cut

AWKWARD = (1, 2, 3, 7, 997)
"""Block sizes that break what leans on long or even blocks: one frame, as many as channels, primes."""


def sizes_cut(block: Samples, frames: int) -> list[Samples]:
    """Cut a signal into blocks of so many frames."""
    return cut(block, range(frames, len(block), frames))


def driven(kind: type[Step], block: Samples, parts: Iterable[Samples], at_hz: int = 48_000, **settings: Any) -> Any:
    """Run a step over these parts of a signal: latency dropped, zeros behind, cut to the length that it promises."""
    made: Any = kind.settings.model_validate(settings)
    step = kind(made, Stream(at_hz, block.shape[1], len(block)))
    listed = list(parts)
    if step.listens_first:
        for part in listed:
            step.listen(part.copy())
    return np.concatenate(list(_answers(step, listed, block.shape[1])))[step.latency_frames :][: step.out.frames]


def _answers(step: Step, parts: list[Samples], channels: int) -> Iterator[Samples]:
    for part in parts:
        yield step.process(part.copy())
    yield step.process(np.zeros((step.tail_frames + step.latency_frames, channels)))
    yield step.finish()
