"""Messages between this process and a plug-in's worker: a JSON header and a payload of samples.

A message is two little-endian 32-bit lengths, the header as JSON in UTF-8, then the payload: frames of float64, the
channels of a frame side by side.
"""

import json
import struct
from typing import Any, BinaryIO, Final

LENGTHS: Final = struct.Struct("<II")
MOST_BYTES: Final = 1 << 28
"""The longest part of a message that is read (own figure: a block is 1 MiB)."""


class WireError(Exception):
    """The other process ended, or sent something that is no message."""


def send(pipe: BinaryIO, header: dict[str, Any], payload: bytes = b"") -> None:
    """Write one message.

    Raises:
        OSError: where the reading end is closed.
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


def _exactly(pipe: BinaryIO, count: int) -> bytes:
    parts = []
    while count:
        part = pipe.read(count)
        if not part:
            raise WireError("the other side has gone")
        parts.append(part)
        count -= len(part)
    return b"".join(parts)
