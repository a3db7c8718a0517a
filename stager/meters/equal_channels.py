"""Which channels of a file hold the same samples, so that what is equal stays equal to the bit in its copy."""

import numpy as np

from stager.meters.peak import Samples


class EqualChannelsMeter:
    """Compares every two channels for as long as they are equal; two that ever differ cost nothing from there on."""

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._pairs = [(first, channel) for channel in range(channels) for first in range(channel)]

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        self._pairs = [pair for pair in self._pairs if np.array_equal(block[:, pair[0]], block[:, pair[1]])]

    def result(self) -> tuple[int, ...]:
        """Return for each channel the first channel (from 0) that equals it in all that was fed: itself, or another."""
        firsts = {channel: first for first, channel in reversed(self._pairs)}
        return tuple(firsts.get(channel, channel) for channel in range(self._channels))
