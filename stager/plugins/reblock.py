"""Cuts a stream into blocks of one length."""

from collections.abc import Iterator

import numpy as np

from stager.plugins.kinds import Samples


def recut(blocks: Iterator[Samples], frames: int, channels: int) -> Iterator[Samples]:
    """Yield the same samples in blocks of `frames` frames; the last may be shorter."""
    held = np.zeros((0, channels))
    for block in blocks:
        held = np.concatenate((held, block)) if len(held) else block
        while len(held) >= frames:
            yield held[:frames]
            held = held[frames:]
    if len(held):
        yield held
