"""Delay and polarity of pairs that the test shifted itself."""

from collections.abc import Callable
from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt

from stager.detectors.stereo_delay import MicrophoneMeter
from stager.model.condition import Microphones
from tests.support.signals import Samples, cut, frames_of, white_noise

RATE: Final = 48_000
Sound = Callable[[np.random.Generator, int], Samples]


def heard(*blocks: Samples, rate_hz: int = RATE) -> Microphones:
    meter = MicrophoneMeter(blocks[0].shape[1], rate_hz)
    for block in blocks:
        meter.update(block)
    found = meter.result()
    assert found is not None
    return found


def plucked(rng: np.random.Generator, rate_hz: int) -> Samples:
    """Notes of falling harmonics that ring into each other."""
    out, n = np.zeros(5 * rate_hz), np.arange(rate_hz) / rate_hz
    for start in np.arange(0.1, 3.9, 0.3):
        pitch = 82.0 * 2 ** (rng.integers(0, 30) / 12)
        note = sum(0.7**k * np.sin(2 * np.pi * k * pitch * n) * np.exp(-n * (2 + k)) for k in range(1, 9))
        out[round(start * rate_hz) :][: len(n)] += 0.1 * note
    return out


def sung(rng: np.random.Generator, rate_hz: int) -> Samples:
    """Harmonics on a tune whose pitch wavers."""
    n = np.arange(5 * rate_hz) / rate_hz
    tune = np.repeat(rng.uniform(120, 300) * 2 ** (rng.permutation([0, 2, 4, 5, 7]) / 12), rate_hz)
    phase = 2 * np.pi * np.cumsum(tune * 2 ** (0.03 * np.sin(2 * np.pi * 5.2 * n))) / rate_hz
    return 0.05 * sum(np.sin(k * phase) / k for k in range(1, 12)) * np.abs(np.sin(np.pi * n))


def struck(rng: np.random.Generator, rate_hz: int) -> Samples:
    """Bursts of noise over a low thud."""
    out, n = np.zeros(5 * rate_hz), np.arange(rate_hz // 2) / rate_hz
    for start in np.arange(0.1, 4.4, 0.5):
        burst = np.exp(-n * 40) * rng.normal(size=len(n)) + np.sin(2 * np.pi * 70 * n) * np.exp(-n * 10)
        out[round(start * rate_hz) :][: len(n)] += 0.2 * burst
    return out


SOUNDS: Final[dict[str, Sound]] = {"plucked": plucked, "sung": sung, "struck": struck}


def shifted(one: Samples, frames: int, sign: float = 1.0, gain: float = 1.0) -> Samples:
    """One sound on both sides, the right one later by so many frames (earlier where negative)."""
    late = np.zeros(len(one))
    late[max(0, frames) : len(one) + min(0, frames)] = one[max(0, -frames) : len(one) - max(0, frames)]
    return np.column_stack((one, sign * gain * late))


@pytest.mark.parametrize("sound", SOUNDS)
@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("frames", [0, 1, -1, 48, -140, 480, -955, 955])
def test_shifted_pair(sound: str, sign: float, frames: int) -> None:
    """A pair that was shifted by whole frames, a side perhaps turned over, over noise 50 dB down: within one frame."""
    rng = np.random.default_rng(abs(frames))
    pair = shifted(SOUNDS[sound](rng, RATE), frames, sign, 0.5)
    found = heard(pair + 0.003 * pair.std() * rng.normal(size=pair.shape))
    assert found.delay_frames == pytest.approx(frames, abs=1)
    assert found.inverted is (sign < 0)
    assert found.delay_s == found.delay_frames / RATE
    assert found.windows >= 7


@pytest.mark.parametrize("sound", SOUNDS)
@pytest.mark.parametrize("milliseconds", [25, 30, 40, 70, -25, -40])
def test_pair_further_apart_than_twenty_milliseconds_has_no_number(sound: str, milliseconds: int) -> None:
    """The true delay is past what is reported: no other one is told in its place, nor a polarity."""
    rng = np.random.default_rng(abs(milliseconds))
    pair = shifted(SOUNDS[sound](rng, RATE), milliseconds * RATE // 1000, 1.0, 0.5)
    found = heard(pair + 0.003 * pair.std() * rng.normal(size=pair.shape))
    assert (found.delay_frames, found.delay_s, found.inverted) == (None, None, None)


@pytest.mark.parametrize("sound", SOUNDS)
def test_pair_in_a_room(sound: str) -> None:
    """Each microphone with a tail of its own, 20 dB down, as a room gives it: within one frame still."""
    rng, tail = np.random.default_rng(3), np.arange(RATE // 5) / RATE
    sides = shifted(SOUNDS[sound](rng, RATE), 77)
    for side in range(2):
        answer = np.exp(-tail * 20) * rng.normal(size=len(tail))
        echo = np.convolve(sides[:, side], 0.1 * answer / np.sqrt((answer**2).sum()))[: len(sides)]
        sides[:, side] += np.concatenate((np.zeros(300), echo[:-300]))
    found = heard(sides)
    assert found.delay_frames == pytest.approx(77, abs=1)
    assert found.inverted is False


@pytest.mark.parametrize("rate_hz", [1_000, 8_000, 44_100, 96_000, 192_000])
def test_any_rate(rate_hz: int) -> None:
    """5 ms are found at any rate."""
    frames = round(0.005 * rate_hz)
    assert heard(
        shifted(plucked(np.random.default_rng(1), rate_hz), frames), rate_hz=rate_hz
    ).delay_frames == pytest.approx(frames, abs=0.01)


def test_a_part_of_a_frame() -> None:
    """A delay of 20.4 frames, made by turning the spectrum, is found to a tenth of a frame."""
    one = plucked(np.random.default_rng(4), RATE)
    late = np.fft.irfft(np.fft.rfft(one) * np.exp(-2j * np.pi * np.fft.rfftfreq(len(one)) * 20.4), len(one))
    assert heard(np.column_stack((one, late))).delay_frames == pytest.approx(20.4, abs=0.1)


def test_a_delay_beyond_reach_is_none() -> None:
    """Further apart than 20 ms there is no delay of microphones to be told."""
    assert heard(shifted(white_noise(5 * RATE)[:, 0], 1200)).delay_frames is None


@pytest.mark.parametrize("seed", range(6))
def test_sides_without_relation_have_no_delay(seed: int) -> None:
    """Two performances, or two noises, have no single delay and no polarity."""
    rng = np.random.default_rng(seed)
    pair = np.column_stack((plucked(rng, RATE), plucked(rng, RATE) if seed % 2 else 0.02 * rng.normal(size=5 * RATE)))
    found = heard(pair)
    assert (found.delay_frames, found.delay_s, found.inverted) == (None, None, None)


def test_a_steady_tone_has_no_single_delay() -> None:
    """A tone that repeats itself every 5 ms fits at every one of them."""
    n = np.arange(5 * RATE) / RATE
    one = 0.1 * sum(np.sin(2 * np.pi * 200.0 * k * n) / k for k in range(1, 10))
    assert heard(shifted(one, 30)[2000:-2000]).delay_frames is None


def test_identical_to_the_bit() -> None:
    """One bit of one sample is a difference."""
    samples = np.repeat(white_noise(RATE), 2, axis=1)
    assert heard(samples).identical
    samples[-1, 1] = np.nextafter(samples[-1, 1], 1.0)
    assert not heard(samples).identical


def test_a_constant_is_not_heard() -> None:
    """A constant part on a side changes neither delay nor polarity."""
    pair = np.add(shifted(plucked(np.random.default_rng(6), RATE), 90, -1.0), [0.0, 0.2])
    assert (heard(pair).delay_frames, heard(pair).inverted) == (pytest.approx(90, abs=0.01), True)


@pytest.mark.parametrize(("channels", "frames"), [(1, RATE), (3, RATE), (2, 0)])
def test_nothing_to_compare(channels: int, frames: int) -> None:
    """Without two sides, or without a sample, there is no result."""
    meter = MicrophoneMeter(channels, RATE)
    meter.update(white_noise(frames, channels))
    assert meter.result() is None


@pytest.mark.parametrize("silent", [0, 1])
def test_a_silent_side(silent: int) -> None:
    """With one side silent no window is looked at, and nothing is claimed."""
    samples = white_noise(RATE, 2)
    samples[:, silent] = 0.0
    found = heard(samples)
    assert (found.windows, found.bands, found.delay_frames, found.inverted) == (0, (), None, None)


def test_a_very_short_file() -> None:
    """A tenth of a second is enough for a delay of a millisecond."""
    assert heard(shifted(white_noise(4800)[:, 0], 48)).delay_frames == pytest.approx(48, abs=0.5)


def test_low_sounds_alone() -> None:
    """A bass without anything above 300 Hz is placed within a frame of 4 ms."""
    one = sosfilt(butter(4, 300.0, fs=RATE, output="sos"), struck(np.random.default_rng(8), RATE))
    assert heard(shifted(one, 192)).delay_frames == pytest.approx(192, abs=1)


@pytest.mark.parametrize("frames", [0, 17, -120])
def test_a_bell_in_a_room(frames: int) -> None:
    """Few partials, each turned by reflections of its own from 3 ms on: the strokes still tell the delay to a frame."""
    rng, n = np.random.default_rng(abs(frames)), np.arange(2 * RATE) / RATE
    one = np.zeros(6 * RATE)
    for start in (0.1, 1.3, 2.2, 3.6):
        parts = ((150.0 * k, rng.uniform(0.3, 1.0), rng.uniform(0, 6)) for k in (1, 2, 2.4, 3, 4, 5.3))
        note = sum(gain * np.exp(-n * hz / 300) * np.sin(2 * np.pi * hz * n + turn) for hz, gain, turn in parts)
        one[round(start * RATE) :][: len(n)] += 0.1 * np.minimum(1.0, n / 0.0005) * note
    sides = shifted(one, frames)
    dry = sides.copy()
    for side in range(2):
        for _ in range(6):
            late, gain = int(rng.uniform(0.003, 0.03) * RATE), rng.choice([-1, 1]) * rng.uniform(0.05, 0.15)
            sides[late:, side] += gain * dry[:-late, side]
    found = heard(sides + 1e-4 * rng.normal(size=sides.shape))
    assert found.delay_frames == pytest.approx(frames, abs=1)


@settings(deadline=None, max_examples=20)
@given(seed=st.integers(0, 50), edges=st.lists(st.integers(1, 149_999), max_size=20))
def test_any_cut_gives_the_same(seed: int, edges: list[int]) -> None:
    """However the blocks are cut, the result is the same, to the bit."""
    samples = shifted(white_noise(150_000, 1, seed=seed)[:, 0], seed) + 0.01 * white_noise(150_000, 2, seed=seed + 1)
    assert heard(*cut(samples, edges)) == heard(samples)


def test_asked_in_between() -> None:
    """A result in the middle changes nothing in the one at the end."""
    samples = shifted(frames_of(plucked(np.random.default_rng(9), RATE))[:, 0], 33)
    meter = MicrophoneMeter(2, RATE)
    for block in cut(samples, range(10_000, len(samples), 10_000)):
        meter.update(block)
        meter.result()
    assert meter.result() == heard(samples)
