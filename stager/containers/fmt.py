"""The `fmt ` chunk: what it says of a stream, and the same chunk for another encoding.

Source: the wave format and its extensible form (Microsoft's open specification), layout in little-endian order: tag,
channels, rate, bytes a second, bytes a frame, bits; then cbSize, valid bits, channel mask, and a sub-format whose
first two bytes are the format tag.
"""

import struct
from dataclasses import dataclass
from typing import Final

from stager.errors import UnreadableStem, UnsupportedStem
from stager.model import MAX_CHANNELS, Encoding, StreamInfo

SAMPLE_RATES_HZ: Final = (1_000, 1_000_000)
"""What counts as a sample rate (own limit); outside it a header is damaged or no stem."""
TAG_PCM: Final = 1
TAG_FLOAT: Final = 3
TAG_EXTENSIBLE: Final = 0xFFFE
SUBFORMAT_TAIL: Final = bytes.fromhex("000000001000800000aa00389b71")
"""The last 14 bytes of the sub-format of an extensible header."""
SHORTEST: Final = 16
EXTENSIBLE_BYTES: Final = 40

INTEGERS: Final = {2: Encoding.PCM_16, 3: Encoding.PCM_24, 4: Encoding.PCM_32}
FLOATS: Final = {4: Encoding.FLOAT, 8: Encoding.DOUBLE}


@dataclass(frozen=True)
class Format:
    """What a format chunk says; `valid_bits` is the integer grid, 0 for float."""

    encoding: Encoding
    valid_bits: int
    channels: int
    sample_rate_hz: int
    frame_bytes: int
    channel_mask: int
    is_extensible: bool


def parse_format(name: str, fmt: bytes) -> Format:
    """Read a format chunk; `name` is the stem's, for the message.

    Raises:
        UnreadableStem: where it makes no sense.
        UnsupportedStem: where it makes sense, but the encoding, the rate or the channels are not staged.
    """
    if len(fmt) < SHORTEST:
        raise UnreadableStem(name, f"expected a format chunk of {SHORTEST} bytes or more, found {len(fmt)} bytes")
    tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", fmt)
    valid_bits, mask, extensible = bits, 0, tag == TAG_EXTENSIBLE
    if extensible and len(fmt) >= EXTENSIBLE_BYTES and fmt[26:EXTENSIBLE_BYTES] == SUBFORMAT_TAIL:
        stated, mask, tag = struct.unpack_from("<HIH", fmt, 18)
        valid_bits = stated or bits
    _check_shape(name, channels, rate_hz, frame_bytes)
    encoding = _encoding(name, tag, bits, valid_bits, frame_bytes // channels)
    grid = valid_bits if encoding.is_integer else 0
    return Format(encoding, grid, channels, rate_hz, frame_bytes, mask, extensible)


def format_for(fmt: bytes, encoding: Encoding) -> bytes:
    """Return a format chunk's payload for another encoding, with the whole container as its valid bits."""
    _, channels, rate_hz, _, _, _ = struct.unpack_from("<HHIIHH", fmt)
    return _format(fmt, encoding, channels, rate_hz, fmt[20:24], 8 * encoding.sample_bytes)


def format_of_stream(fmt: bytes, info: StreamInfo) -> bytes:
    """Return a format chunk's payload for a stream of another rate or other channels, of the same kind as this one."""
    bits = info.valid_bits or 8 * info.encoding.sample_bytes
    mask = struct.pack("<I", info.channel_mask)
    return _format(fmt, info.encoding, info.channels, info.sample_rate_hz, mask, bits)


def _format(fmt: bytes, encoding: Encoding, channels: int, rate_hz: int, mask: bytes, valid_bits: int) -> bytes:
    tag, size = TAG_PCM if encoding.is_integer else TAG_FLOAT, encoding.sample_bytes
    extensible = int.from_bytes(fmt[:2], "little") == TAG_EXTENSIBLE
    head = struct.pack(
        "<HHIIHH",
        TAG_EXTENSIBLE if extensible else tag,
        channels,
        rate_hz,
        rate_hz * channels * size,
        channels * size,
        8 * size if extensible else max(valid_bits, 8 * size - 7),
    )
    if not extensible:
        return head
    return head + struct.pack("<HH", 22, valid_bits) + mask + struct.pack("<H", tag) + SUBFORMAT_TAIL


def _check_shape(name: str, channels: int, rate_hz: int, frame_bytes: int) -> None:
    if channels == 0 or frame_bytes == 0 or frame_bytes % channels:
        raise UnreadableStem(name, f"expected whole samples, found {channels} channels in {frame_bytes} bytes")
    if channels > MAX_CHANNELS:
        raise UnsupportedStem(name, f"expected 1 to {MAX_CHANNELS} channels, found {channels}")
    low, high = SAMPLE_RATES_HZ
    if not low <= rate_hz <= high:
        raise UnsupportedStem(name, f"expected a sample rate of {low} to {high} Hz, found {rate_hz} Hz")


def _encoding(name: str, tag: int, bits: int, valid_bits: int, sample_bytes: int) -> Encoding:
    whole = 8 * (sample_bytes - 1) < bits <= 8 * sample_bytes and 8 < valid_bits <= bits
    if tag == TAG_PCM and sample_bytes in INTEGERS and whole:
        return INTEGERS[sample_bytes]
    if tag == TAG_FLOAT and sample_bytes in FLOATS and bits == 8 * sample_bytes:
        return FLOATS[sample_bytes]
    found = f"format tag {tag} with {valid_bits} of {bits} bits in {sample_bytes} bytes"
    raise UnsupportedStem(name, f"expected 16, 24 or 32-bit integer or 32 or 64-bit float, found {found}")
