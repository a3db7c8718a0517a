"""Gain onto a grid: the rounding, the dither's statistics, silence, and bytes that no cut of the blocks changes."""

from hashlib import sha256
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from stager.containers.pcm import decode
from stager.containers.requantise import CLIP_GUARD_LSB, Gain, clip_guard_linear
from stager.model import Encoding, StreamInfo
from stager.model.runs import Runs, no_runs
from tests.support.records import stream
from tests.support.signals import cut, frames_of, white_noise

SHA = "ab" * 32


def gain(factor: float, *, dithered: bool = False, **changes: Any) -> Gain:
    return Gain(**{"factor": factor, "dithered": dithered, "source_sha256": SHA, "silences": no_runs(), **changes})


def codes_of(raw: bytes, info: StreamInfo) -> NDArray[np.float64]:
    """Return the codes that bytes hold, (frames, channels)."""
    return decode(raw, info) * 2.0 ** (8 * info.encoding.sample_bytes - 1)


def encoded(samples: ArrayLike, factor: float, info: StreamInfo, **changes: Any) -> NDArray[np.float64]:
    block = frames_of(samples)
    return codes_of(gain(factor, **changes).encode(block, info, 0), info)


HALVES = {0.5: 0, 1.5: 2, 2.5: 2, 3.5: 4, -0.5: 0, -1.5: -2, -2.5: -2, 0.49999: 0, 0.50001: 1, -3.49999: -3}


@pytest.mark.parametrize("bits", [16, 24, 32])
@pytest.mark.parametrize(("value", "code"), HALVES.items())
def test_rounds_half_to_even(bits: int, value: float, code: int) -> None:
    """A value midway between two codes goes to the even one, so that rounding has no bias."""
    assert encoded([value / 2 ** (bits - 1)], 1.0, stream(bits)).item() == code


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_held_inside_the_codes(bits: int) -> None:
    """What leaves the grid is held at its ends; no code wraps around."""
    low, high = encoded([-1.0, 1.0], 2.0, stream(bits))[:, 0]
    assert (low, high) == (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_dither_and_rounding_error(bits: int) -> None:
    """The total error has a mean of 0 and a variance of 1/4 LSB^2 whatever the signal (Wannamaker et al. 2000)."""
    frames, info = 400_000, stream(bits)
    for value in (0.0, 0.25, 0.5, 100.3):
        samples = np.full((frames, 1), value / 2 ** (bits - 1))
        error = codes_of(gain(1.0, dithered=True).encode(samples, info, 0), info) - value
        assert abs(error.mean()) < 5 * 0.5 / frames**0.5
        assert abs(error.var() - 0.25) < 0.004


def test_dither_is_triangular() -> None:
    """On digital zero the codes are -1, 0 and +1 with shares 1/8, 3/4 and 1/8 (worked arithmetic for TPDF)."""
    codes = encoded(np.zeros(400_000), 1.0, stream(16), dithered=True)
    shares = [float((codes == code).mean()) for code in (-1, 0, 1)]
    assert sum(shares) == 1.0
    assert np.allclose(shares, [0.125, 0.75, 0.125], atol=0.003)


def test_dither_is_white() -> None:
    """Values of neighbouring frames, of two channels, and of two stems have nothing to do with each other."""
    frames = 200_000
    one = encoded(np.zeros((frames, 2)), 1.0, stream(16, 2), dithered=True)
    other = encoded(np.zeros((frames, 2)), 1.0, stream(16, 2), dithered=True, source_sha256="cd" * 32)
    pairs = {
        "neighbours": (one[1:, 0], one[:-1, 0]),
        "two apart": (one[2:, 0], one[:-2, 0]),
        "channels": (one[:, 0], one[:, 1]),
        "stems": (one[:, 0], other[:, 0]),
    }
    for name, pair in pairs.items():
        assert abs(np.corrcoef(*pair)[0, 1]) < 5 / frames**0.5, name


def test_dither_is_reproducible() -> None:
    """The same source gives the same bytes, another source others."""
    samples, info = white_noise(500), stream(16)
    first = gain(0.7, dithered=True).encode(samples, info, 0)
    assert gain(0.7, dithered=True).encode(samples, info, 0) == first
    assert gain(0.7, dithered=True, source_sha256="cd" * 32).encode(samples, info, 0) != first


@settings(deadline=None, max_examples=60)
@given(
    edges=st.lists(st.integers(1, 299), max_size=12),
    bits=st.sampled_from([16, 24, 32]),
    channels=st.integers(1, 3),
    dithered=st.booleans(),
)
def test_any_cut_gives_the_same_bytes(edges: list[int], bits: int, channels: int, dithered: bool) -> None:
    """However a file is cut into blocks, silence runs included, its copy is the same to the bit."""
    samples, info = white_noise(300, channels), stream(bits, channels)
    samples[40:180, 0] = 0.0
    silences = Runs(np.array([0]), np.array([40]), np.array([180]))
    made = gain(0.6, dithered=dithered, silences=silences)
    at, parts = 0, []
    for part in cut(samples, edges):
        parts.append(made.encode(part, info, at))
        at += len(part)
    assert b"".join(parts) == made.encode(samples, info, 0)


def test_silence_stays_silence() -> None:
    """No dither falls into digital silence, in its channel and between its ends alone."""
    silences = Runs(np.array([1]), np.array([1000]), np.array([5000]))
    codes = encoded(np.zeros((6000, 2)), 1.0, stream(16, 2), dithered=True, silences=silences)
    assert not codes[1000:5000, 1].any()
    assert all(part.any() for part in (codes[1000:5000, 0], codes[:1000, 1], codes[5000:, 1]))


def test_silence_to_its_first_and_last_frame() -> None:
    """Frames 10 up to 20 are silent whatever the source, their neighbours are not."""
    silences = Runs(np.array([0]), np.array([10]), np.array([20]))
    drawn = [
        encoded(np.zeros(30), 1.0, stream(16), dithered=True, silences=silences, source_sha256=f"{source:064x}")[:, 0]
        for source in range(60)
    ]
    assert np.flatnonzero(np.any(drawn, axis=0)).tolist() == [*range(10), *range(20, 30)]


def plain_dither(source_sha256: str, channel: int, frame: int) -> float:
    """One value in LSB, in integers of any size: splitmix64, its high half less its low half."""
    mask = 2**64 - 1
    key = int.from_bytes(sha256(f"{source_sha256}:{channel}".encode()).digest()[:8], "little")
    z = (key + (frame + 1) * 0x9E3779B97F4A7C15) & mask
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & mask
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & mask
    z ^= z >> 31
    return ((z >> 32) - (z & 0xFFFFFFFF)) / 2**32


@pytest.mark.parametrize("first", [0, 1000, 2**31 - 5])
def test_dither_to_the_bit(first: int) -> None:
    """The codes are those of a plain implementation: a copy can be made again, years later, by anyone."""
    samples, info = white_noise(300, 2), stream(16, 2)
    found = codes_of(gain(0.5, dithered=True).encode(samples, info, first), info)
    for frame, channel in np.ndindex(300, 2):
        dither = plain_dither(SHA, channel, first + frame)
        assert found[frame, channel] == np.rint(samples[frame, channel] * 0.5 * 32768 + dither)


def test_without_dither_zero_stays_zero() -> None:
    """Where dither is off, nothing is added anywhere."""
    assert not encoded(np.zeros(1000), 0.5, stream(16)).any()


@pytest.mark.parametrize(
    ("valid_bits", "encoding"), [(20, Encoding.PCM_24), (12, Encoding.PCM_16), (24, Encoding.PCM_32)]
)
def test_padded_grid_is_kept(valid_bits: int, encoding: Encoding) -> None:
    """A file of 20 valid bits in 24 stays on its grid: the low bits are zero, and dither is one LSB of the 20."""
    info = stream(24).model_copy(update={"valid_bits": valid_bits, "encoding": encoding})
    spare = 8 * encoding.sample_bytes - valid_bits
    codes = encoded(white_noise(20_000), 0.5, info, dithered=True) / 2**spare
    assert np.array_equal(codes, np.rint(codes))
    error = codes - white_noise(20_000) * 0.5 * 2 ** (valid_bits - 1)
    assert abs(error.var() - 0.25) < 0.02


@pytest.mark.parametrize("bits", [16, 24])
def test_guard_keeps_dither_off_the_top_code(bits: int) -> None:
    """A sample at the guard, with the largest dither there can be, is rounded to the top code and not beyond."""
    info = stream(bits)
    guard = clip_guard_linear(info)
    assert guard is not None
    codes = encoded(np.full(200_000, guard), 1.0, info, dithered=True)
    assert codes.max() < 2 ** (bits - 1) - 1
    assert encoded([guard + (1.0 - 1e-9) / 2 ** (bits - 1)], 1.0, info).item() <= 2 ** (bits - 1) - 1


def test_guard_is_two_and_a_half_steps() -> None:
    """One step for the code range, one for the dither, half of one for the rounding (worked arithmetic)."""
    assert CLIP_GUARD_LSB == 2.5
    assert clip_guard_linear(stream(16)) == 1.0 - 2.5 / 32768
    assert clip_guard_linear(stream(24).model_copy(update={"valid_bits": 20})) == 1.0 - 2.5 / 524288


def test_float_has_no_guard() -> None:
    """A float copy can hold any level."""
    assert clip_guard_linear(stream(0)) is None


@pytest.mark.parametrize("encoding", [Encoding.FLOAT, Encoding.DOUBLE])
def test_float_is_multiplied_alone(encoding: Encoding) -> None:
    """A float copy is sample times factor, without dither, rounding to a grid, or clipping."""
    info, samples = stream(0, 2, encoding=encoding), white_noise(100, 2) * 9.0
    raw = gain(1.7, dithered=True).encode(samples, info, 0)
    assert np.array_equal(
        np.frombuffer(raw, "<f4" if encoding is Encoding.FLOAT else "<f8").reshape(-1, 2),
        (samples * 1.7).astype(np.float32 if encoding is Encoding.FLOAT else np.float64),
    )


def test_far_frames_have_dither_of_their_own() -> None:
    """Dither depends on the frame's number, beyond 2^31 as well."""
    info, silence = stream(16), np.zeros((200, 1))
    made = gain(1.0, dithered=True)
    parts = {made.encode(silence, info, first) for first in (0, 2**31, 2**32, 2**40)}
    assert len(parts) == 4


def test_equal_channels_get_equal_dither() -> None:
    """Channels that hold the same samples hold the same codes in the copy; all others have dither of their own."""
    samples = np.random.default_rng(3).uniform(-0.5, 0.5, (4000, 1)).repeat(3, axis=1)
    made = Gain(0.6, dithered=True, source_sha256="ab", silences=no_runs(), equal_to=(0, 0, 2))
    codes = made.codes(samples, stream(16, 3), 0)
    assert np.array_equal(codes[:, 0], codes[:, 1])
    assert (codes[:, 0] != codes[:, 2]).mean() > 0.3
    assert np.array_equal(codes, np.column_stack([made.codes(samples, stream(16, 3), 0)[:, c] for c in (0, 0, 2)]))
