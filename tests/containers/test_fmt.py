"""The format chunk written for another encoding: what it says is what is read back."""

import struct

import pytest

from stager.containers.fmt import format_for, parse_format
from stager.errors import UnreadableStem
from stager.model import Encoding
from tests.support.wavefile import format_of

KINDS = {"plain": format_of(24, 2, 44_100), "extensible": format_of(24, 2, 44_100, valid_bits=20)}


@pytest.mark.parametrize("fmt", KINDS.values(), ids=KINDS.keys())
@pytest.mark.parametrize("encoding", Encoding)
def test_for_another_encoding(fmt: bytes, encoding: Encoding) -> None:
    """The chunk for another encoding reads as that encoding, of the same form, rate and channels."""
    before, after = parse_format("a", fmt), parse_format("a", format_for(fmt, encoding))
    assert after.encoding is encoding
    assert after.valid_bits == (8 * encoding.sample_bytes if encoding.is_integer else 0)
    assert after.is_extensible == before.is_extensible
    assert (after.channels, after.sample_rate_hz, after.channel_mask) == (2, 44_100, before.channel_mask)


@pytest.mark.parametrize("fmt", KINDS.values(), ids=KINDS.keys())
def test_bytes_a_second(fmt: bytes) -> None:
    """Bytes a frame and bytes a second follow the new encoding (worked arithmetic)."""
    _, channels, rate_hz, a_second, a_frame, bits = struct.unpack_from("<HHIIHH", format_for(fmt, Encoding.FLOAT))
    assert (channels, rate_hz, a_second, a_frame, bits) == (2, 44_100, 352_800, 8, 32)


def test_channel_mask_is_carried() -> None:
    """The speakers that an extensible header names stay."""
    fmt = bytearray(KINDS["extensible"])
    fmt[20:24] = struct.pack("<I", 0x3)
    assert parse_format("a", bytes(fmt)).channel_mask == 3
    assert parse_format("a", format_for(bytes(fmt), Encoding.PCM_16)).channel_mask == 3


def test_too_short() -> None:
    """A chunk without its sixteen bytes says nothing."""
    with pytest.raises(UnreadableStem, match="a: expected a format chunk of 16 bytes or more, found 15 bytes"):
        parse_format("a", KINDS["plain"][:15])
