"""Blocks of samples as bytes and back, for messages to and from a plug-in's worker."""

import numpy as np

from stager.plugins.kinds import Samples
from stager.plugins.wire import WireError


def packed(block: Samples) -> bytes:
    """Return a block as a payload: frames of little-endian float64, the channels of a frame side by side."""
    return np.ascontiguousarray(block, "<f8").tobytes()


def unpacked(payload: bytes, channels: int) -> Samples:
    """Return a payload as a writable block, (frames, channels).

    Raises:
        WireError: where it is no whole number of frames.
    """
    if channels < 1 or len(payload) % (8 * channels):
        raise WireError(f"expected whole frames of {channels} channels, found {len(payload)} bytes")
    return np.frombuffer(payload, "<f8").reshape(-1, channels).astype(np.float64)
