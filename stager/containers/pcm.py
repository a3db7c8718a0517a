"""Samples between their bytes in a file and float64 between -1 and 1, shape (frames, channels).

An integer code c of n valid bits stands for c / 2^(n-1). Every code of 16, 24 and 32 bits is exact in float64.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stager.model import Encoding, StreamInfo
from stager.system.jit import sample_loop

Samples = NDArray[np.float64]

DTYPES: Final[dict[Encoding, np.dtype[Any]]] = {
    Encoding.PCM_16: np.dtype("<i2"),
    Encoding.PCM_32: np.dtype("<i4"),
    Encoding.FLOAT: np.dtype("<f4"),
    Encoding.DOUBLE: np.dtype("<f8"),
}


def decode(raw: bytes | bytearray | memoryview, info: StreamInfo) -> Samples:
    """Return the samples that the bytes of whole frames hold, (frames, channels), float64; NaN and infinity stay."""
    if info.encoding is Encoding.PCM_24:
        flat = np.empty(len(raw) // 3)
        _decode_24(np.frombuffer(raw, np.uint8), flat)
    else:
        flat = np.frombuffer(raw, DTYPES[info.encoding]).astype(np.float64)
        if info.encoding.is_integer:
            flat *= 2.0 ** (1 - 8 * info.encoding.sample_bytes)
    return flat.reshape(-1, info.channels)


def encode_codes(codes: NDArray[np.int32], encoding: Encoding) -> bytes:
    """Pack integer codes, (frames, channels), already on the grid of the container, little-endian."""
    if encoding is not Encoding.PCM_24:
        return codes.astype(DTYPES[encoding]).tobytes()
    packed = np.empty(codes.size * 3, np.uint8)
    _encode_24(codes.reshape(-1), packed)
    return packed.tobytes()


def encode_floats(samples: Samples, encoding: Encoding) -> bytes:
    """Pack float samples, (frames, channels), rounded to the nearest float of the encoding; nothing is clipped."""
    return samples.astype(DTYPES[encoding]).tobytes()


@sample_loop
def _decode_24(raw: NDArray[np.uint8], out: Samples) -> None:
    """Write code / 2^23 for each three bytes, lowest byte first."""
    for i in range(out.shape[0]):
        low, middle, high = np.int32(raw[3 * i]), np.int32(raw[3 * i + 1]), np.int32(raw[3 * i + 2])
        code = low | (middle << np.int32(8)) | (high << np.int32(16))
        out[i] = np.float64((code ^ np.int32(0x800000)) - np.int32(0x800000)) * 1.1920928955078125e-07


@sample_loop
def _encode_24(codes: NDArray[np.int32], out: NDArray[np.uint8]) -> None:
    """Write the three low bytes of each code, lowest first."""
    for i in range(codes.shape[0]):
        code = codes[i]
        out[3 * i] = code & 0xFF
        out[3 * i + 1] = (code >> 8) & 0xFF
        out[3 * i + 2] = (code >> 16) & 0xFF
