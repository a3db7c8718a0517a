"""Cuts a stream of blocks anew, so that they have one length."""

from collections.abc import Iterator

import numpy as np

from stager.steps.kinds import Samples


def recut(blocks: Iterator[Samples], frames: int, channels: int) -> Iterator[Samples]:
    """Give the same samples in blocks of so many frames, the last one shorter."""
    held = np.zeros((0, channels))
    for block in blocks:
        held = np.concatenate((held, block)) if len(held) else block
        while len(held) >= frames:
            yield held[:frames]
            held = held[frames:]
    if len(held):
        yield held
