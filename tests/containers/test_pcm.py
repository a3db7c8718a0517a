"""Samples and their bytes: every code there and back, and floats left as they are."""

import numpy as np
import pytest

from stager.containers.pcm import DTYPES, decode, encode_codes, encode_floats
from stager.model import Encoding
from tests.support.records import stream
from tests.support.wavefile import integers

KNOWN_CODES = {
    "16: zero": (16, b"\0\0", 0.0),
    "16: lowest": (16, b"\0\x80", -1.0),
    "16: highest": (16, b"\xff\x7f", 32767 / 32768),
    "16: one": (16, b"\1\0", 1 / 32768),
    "24: minus one": (24, b"\xff\xff\xff", -1 / 8388608),
    "24: lowest": (24, b"\0\0\x80", -1.0),
    "24: highest": (24, b"\xff\xff\x7f", 8388607 / 8388608),
    "24: byte order": (24, b"\x01\x02\x03", 0x030201 / 8388608),
    "32: lowest": (32, b"\0\0\0\x80", -1.0),
    "32: highest": (32, b"\xff\xff\xff\x7f", 2147483647 / 2147483648),
}

ODD_FLOATS = np.array([[np.nan, np.inf], [-np.inf, 1e-45], [-0.0, 3.4e38], [1e-38, -1e-42]], np.float32)


@pytest.mark.parametrize(("bits", "raw", "value"), KNOWN_CODES.values(), ids=KNOWN_CODES.keys())
def test_known_codes(bits: int, raw: bytes, value: float) -> None:
    """A code of n bits stands for code / 2^(n-1) (worked arithmetic)."""
    assert decode(raw, stream(bits)).tolist() == [[value]]


def test_every_16_bit_code_there_and_back() -> None:
    """All 65,536 codes decode to their value exactly, and encode to their bytes."""
    codes = np.arange(-(2**15), 2**15)
    raw = integers(codes, 16)
    assert np.array_equal(decode(raw, stream(16))[:, 0], codes / 2**15)
    assert encode_codes(codes.astype(np.int32)[:, None], Encoding.PCM_16) == raw


def test_every_24_bit_code_there_and_back() -> None:
    """All 16,777,216 codes decode to their value exactly, and encode to their bytes."""
    codes = np.arange(-(2**23), 2**23, dtype=np.int32)
    raw = encode_codes(codes[:, None], Encoding.PCM_24)
    assert np.array_equal(np.frombuffer(raw, np.uint8).reshape(-1, 3), codes.view(np.uint8).reshape(-1, 4)[:, :3])
    assert np.array_equal(decode(raw, stream(24))[:, 0] * 2**23, codes)


def test_32_bit_codes_there_and_back() -> None:
    """Codes of 32 bits are exact in float64: the ends, the middle, and a million between."""
    ends = [-(2**31), -(2**31) + 1, -1, 0, 1, 2**31 - 2, 2**31 - 1]
    codes = np.concatenate((ends, np.random.default_rng(5).integers(-(2**31), 2**31, 1_000_000))).astype(np.int32)
    samples = decode(integers(codes, 32), stream(32))
    assert np.array_equal(samples[:, 0] * 2**31, codes)
    assert encode_codes(codes[:, None], Encoding.PCM_32) == integers(codes, 32)


@pytest.mark.parametrize("encoding", [Encoding.FLOAT, Encoding.DOUBLE])
def test_floats_are_left_as_they_are(encoding: Encoding) -> None:
    """NaN, infinities, denormals, minus zero and values over full scale come through to the bit."""
    raw = ODD_FLOATS.astype(DTYPES[encoding]).tobytes()
    samples = decode(raw, stream(0, 2, encoding=encoding))
    assert np.array_equal(samples, ODD_FLOATS.astype(np.float64), equal_nan=True)
    assert np.signbit(samples[2, 0])
    assert encode_floats(samples, encoding) == raw


def test_floats_round_to_the_nearest() -> None:
    """A value between two floats of 32 bits goes to the nearer one, and nothing is clipped."""
    samples = np.array([[1.0 + 2.0**-25], [1.0 + 3.0 * 2.0**-25], [7.5]])
    assert np.frombuffer(encode_floats(samples, Encoding.FLOAT), np.float32).tolist() == [1.0, 1.0 + 2.0**-23, 7.5]


@pytest.mark.parametrize("bits", [16, 24, 32, 0])
@pytest.mark.parametrize("channels", [1, 2, 3, 6])
def test_shape_is_frames_by_channels(bits: int, channels: int) -> None:
    """The channels of a frame lie beside each other, mono included."""
    codes = np.arange(4 * channels)
    raw = codes.astype("<f4").tobytes() if bits == 0 else integers(codes, bits)
    scale = 1 if bits == 0 else 2 ** (bits - 1)
    samples = decode(raw, stream(bits, channels))
    assert samples.dtype == np.float64
    assert np.array_equal(samples * scale, codes.reshape(4, channels))


@pytest.mark.parametrize("kind", [bytes, bytearray, memoryview])
def test_decoded_samples_may_be_written_to(kind: type) -> None:
    """A block is ours: a meter may set a sample in it, and the bytes it came from stay."""
    raw = kind(np.ones(2, "<f8").tobytes())
    block = decode(raw, stream(0, encoding=Encoding.DOUBLE))
    block[:] = 0.0
    assert np.frombuffer(raw, "<f8").tolist() == [1.0, 1.0]


@pytest.mark.parametrize("bits", [16, 24, 32, 0])
def test_no_bytes_are_no_frames(bits: int) -> None:
    """An empty stretch is an empty block of the right shape."""
    assert decode(b"", stream(bits, 2)).shape == (0, 2)
