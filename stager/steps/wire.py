"""What goes over the pipes between us and a plug-in's worker: a JSON header with a payload of samples behind it.

A message is two little-endian 32-bit lengths, the header as JSON in UTF-8, then the payload: frames of float64, the
channels of a frame side by side.
"""

import json
import struct
from typing import Any, BinaryIO, Final

import numpy as np

from stager.steps.kinds import Samples

LENGTHS: Final = struct.Struct("<II")
MOST_BYTES: Final = 1 << 28
"""The longest part of a message that is read (own figure: a block is 1 MiB)."""


class WireError(Exception):
    """The other side has gone, or says what is no message."""


def send(pipe: BinaryIO, header: dict[str, Any], payload: bytes = b"") -> None:
    """Write one message.

    Raises:
        OSError: where nobody reads any more.
    """
    head = json.dumps(header).encode()
    pipe.write(LENGTHS.pack(len(head), len(payload)) + head)
    pipe.write(payload)
    pipe.flush()


def receive(pipe: BinaryIO) -> tuple[dict[str, Any], bytes]:
    """Read one message.

    Raises:
        WireError: where there is none.
    """
    head_bytes, payload_bytes = LENGTHS.unpack(_exactly(pipe, LENGTHS.size))
    if max(head_bytes, payload_bytes) > MOST_BYTES:
        raise WireError(f"expected a block of at most {MOST_BYTES:,} bytes, found {max(head_bytes, payload_bytes):,}")
    try:
        header = json.loads(_exactly(pipe, head_bytes))
    except ValueError as error:
        raise WireError("expected a message, found other bytes") from error
    if not isinstance(header, dict):
        raise WireError("expected a message, found other bytes")
    return header, _exactly(pipe, payload_bytes)


def packed(block: Samples) -> bytes:
    """Give a block as a payload."""
    return np.ascontiguousarray(block, "<f8").tobytes()


def unpacked(payload: bytes, channels: int) -> Samples:
    """Give a payload as a block, (frames, channels), that may be written to.

    Raises:
        WireError: where it is no whole number of frames.
    """
    if channels < 1 or len(payload) % (8 * channels):
        raise WireError(f"expected whole frames of {channels} channels, found {len(payload)} bytes")
    return np.frombuffer(payload, "<f8").reshape(-1, channels).astype(np.float64)


def _exactly(pipe: BinaryIO, count: int) -> bytes:
    parts = []
    while count:
        part = pipe.read(count)
        if not part:
            raise WireError("the other side has gone")
        parts.append(part)
        count -= len(part)
    return b"".join(parts)
