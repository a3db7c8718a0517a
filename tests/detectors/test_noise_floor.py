"""The noise floor: what is left while a part pauses, and when there is none to speak of."""

from collections.abc import Callable
from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.noise_floor import noise_floor_power, steady_pause
from stager.meters import AverageMeter
from stager.model.condition import Pause
from stager.units import dbfs_rms_from_power, linear_from_db
from tests.support.signals import Samples, cut, frames_of, sine_block, white_noise

RATE: Final = 48_000


def floor_dbfs(*blocks: Samples, rate_hz: int = RATE, channel: int = 0) -> float | None:
    """The noise floor in dBFS, AES17."""
    meter = AverageMeter(blocks[0].shape[1], rate_hz)
    for block in blocks:
        meter.update(block)
    power = noise_floor_power(meter.result(), channel)
    return None if power is None else dbfs_rms_from_power(power)


def hiss(seconds: float, level_dbfs: float, seed: int, rate_hz: int = RATE) -> Samples:
    """White noise at this AES17 level, one channel."""
    rng = np.random.default_rng(seed)
    return frames_of(linear_from_db(level_dbfs) / np.sqrt(2) * rng.normal(size=round(seconds * rate_hz)))


def playing(seconds: float, rate_hz: int = RATE, on_s: float = 2.0, off_s: float = 1.5) -> Samples:
    """A part at -20 dBFS that plays and pauses by turns, its pauses exact zeros."""
    at = np.arange(round(seconds * rate_hz)) / rate_hz
    return frames_of(np.where(at % (on_s + off_s) < on_s, 0.1 * np.sin(2 * np.pi * 220.0 * at), 0.0))


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000])
def test_noise_under_a_part_that_pauses(rate_hz: int, seed: int) -> None:
    """Noise at -60 dBFS under a part that pauses reads -60 within 0.5 dB (percentile: common practice, no source)."""
    samples = playing(14.0, rate_hz) + hiss(14.0, -60.0, seed, rate_hz)
    assert floor_dbfs(samples, rate_hz=rate_hz) == pytest.approx(-60.0, abs=0.5)


@pytest.mark.parametrize("level_dbfs", [-45.0, -60.0, -75.0, -90.0, -110.0])
def test_floor_at_any_level(level_dbfs: float) -> None:
    """So do other levels, under the -70 dBFS of the average's gate as well."""
    samples = playing(14.0) + hiss(14.0, level_dbfs, 3)
    assert floor_dbfs(samples) == pytest.approx(level_dbfs, abs=0.5)


def gated_to_zero(samples: Samples) -> Samples:
    """The same part with its pauses cut to digital silence, as an editor does."""
    return np.where(playing(len(samples) / RATE) == 0.0, 0.0, samples)


@pytest.mark.parametrize("seed", range(5))
def test_pauses_cut_to_digital_silence_have_no_floor(seed: int) -> None:
    """Digital zero is no noise: with the pauses cut there is nothing to measure, None."""
    assert floor_dbfs(gated_to_zero(playing(14.0) + hiss(14.0, -60.0, seed))) is None


def test_half_of_the_pauses_cut() -> None:
    """Where only some pauses are cut, the others still read."""
    samples = playing(28.0) + hiss(28.0, -60.0, 4)
    half = np.concatenate((gated_to_zero(samples[: 14 * RATE]), samples[14 * RATE :]))
    assert floor_dbfs(half) == pytest.approx(-60.0, abs=0.5)


def pause_of(seconds: float) -> Samples:
    """A part that pauses once, over noise at -60."""
    part = frames_of(0.1 * np.sin(2 * np.pi * 220.0 * np.arange(3 * RATE) / RATE))
    return np.concatenate((part, np.zeros((round(seconds * RATE), 1)), part)) + hiss(6.0 + seconds, -60.0, 5)


@pytest.mark.parametrize(("seconds", "measured"), [(0.3, False), (0.8, False), (1.2, True), (3.0, True)])
def test_one_second_of_quiet_is_needed(seconds: float, measured: bool) -> None:
    """Pauses of less than 1 s in all give no floor (own limit): too few blocks for a percentile."""
    found = floor_dbfs(pause_of(seconds))
    assert found == (pytest.approx(-60.0, abs=0.5) if measured else None)


NO_FLOOR: Final[dict[str, Callable[[], Samples]]] = {
    "a steady tone never pauses": lambda: frames_of(0.1 * np.sin(np.arange(10 * RATE) / 20.0)),
    "steady noise is the part itself": lambda: hiss(10.0, -30.0, 6),
    "noise 15 dB under the part is no pause": lambda: playing(14.0) + hiss(14.0, -37.0, 7),
    "digital silence": lambda: np.zeros((5 * RATE, 1)),
    "nothing over -70 dBFS": lambda: hiss(10.0, -80.0, 8),
    "one frame": lambda: frames_of([0.5]),
}


@pytest.mark.parametrize("make", NO_FLOOR.values(), ids=NO_FLOOR.keys())
def test_no_floor(make: Callable[[], Samples]) -> None:
    """What doesn't pause 20 dB under its average has no floor (distance: common practice, no source)."""
    assert floor_dbfs(make()) is None


def test_constant_part_is_no_noise() -> None:
    """The channel's mean is taken out before: an offset of 0.01 under the pauses doesn't raise the floor."""
    samples = playing(14.0) + hiss(14.0, -70.0, 9)
    assert floor_dbfs(samples + 0.01) == pytest.approx(floor_dbfs(samples), abs=0.1)


def test_channels_have_floors_of_their_own() -> None:
    """Each channel is looked at by itself."""
    samples = np.hstack([playing(14.0) + hiss(14.0, level, 10) for level in (-55.0, -75.0)])
    assert floor_dbfs(samples) == pytest.approx(-55.0, abs=0.5)
    assert floor_dbfs(samples, channel=1) == pytest.approx(-75.0, abs=0.5)


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 20), edges=st.lists(st.integers(1, 55_999), max_size=20))
def test_any_cut_gives_the_same(seed: int, edges: list[int]) -> None:
    """However the blocks are cut, the floor is the same to rounding."""
    samples = playing(7.0, 8_000) + hiss(7.0, -60.0, seed, 8_000)
    one, other = floor_dbfs(samples, rate_hz=8_000), floor_dbfs(*cut(samples, edges), rate_hz=8_000)
    assert other == pytest.approx(one, abs=1e-9)


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 20), gain_db=st.floats(-20.0, 20.0))
def test_gain_moves_the_floor(seed: int, gain_db: float) -> None:
    """A gain of g dB moves the floor by g, while every block that plays stays over -60 dBFS."""
    samples = playing(7.0, 8_000) + hiss(7.0, -60.0, seed, 8_000)
    one, other = (floor_dbfs(part, rate_hz=8_000) for part in (samples, samples * linear_from_db(gain_db)))
    assert one is not None
    assert other == pytest.approx(one + gain_db, abs=1e-6)


RATE = 48_000


def pause(samples: Samples) -> Pause | None:
    meter = AverageMeter(samples.shape[1], RATE)
    meter.update(samples)
    average = meter.result()
    return steady_pause(average, average.loudest_channel())


def played(seconds: float, rest_s: float) -> Samples:
    """A tone, then nothing."""
    return np.concatenate((sine_block(440.0, seconds, peak=0.3), np.zeros((round(rest_s * RATE), 1))))


def with_hiss(samples: Samples, level_dbfs: float) -> Samples:
    """Noise at this AES17 level over all of it: RMS 10^((level - 3.01) / 20)."""
    return samples + white_noise(len(samples), rms=10 ** ((level_dbfs - 3.0103) / 20))


@pytest.mark.parametrize("level_dbfs", [-60.0, -45.0])
def test_noise_in_a_pause(level_dbfs: float) -> None:
    """Noise in a rest of two seconds is found at its level and its place."""
    found = pause(with_hiss(played(4.0, 2.0), level_dbfs))
    assert found is not None
    assert found.level_dbfs == pytest.approx(level_dbfs, abs=0.3)
    assert 4.0 <= found.at_s <= 4.7
    assert found.length_s == pytest.approx(1.3)


@pytest.mark.parametrize(("distance_db", "told"), [(19.0, False), (21.0, True)])
def test_it_lies_20_db_under_the_part(distance_db: float, told: bool) -> None:
    """Louder than that it is a soft passage, no pause; the part is at -10.46 dBFS (0.3 of full scale)."""
    found = pause(with_hiss(played(20.0, 3.0), -10.46 - distance_db))
    assert (found is not None) is told


@pytest.mark.parametrize(("decay_s", "told"), [(4.0, False), (12.0, False), (40.0, True)])
def test_a_note_that_rings_out_is_no_noise(decay_s: float, told: bool) -> None:
    """A note that falls by 60 dB within 12 s is not steady over 1.3 s; within 40 s it is taken for steady."""
    n = np.arange(5 * RATE) / RATE
    ringing = 0.02 * np.sin(2 * np.pi * 440.0 * n) * 10 ** (-3.0 * n / decay_s)
    assert (pause(np.concatenate((sine_block(440.0, 5.0, peak=0.5), frames_of(ringing)))) is not None) is told


def test_the_quietest_of_several() -> None:
    """Of two pauses the one with less noise is given."""
    samples = np.concatenate([with_hiss(played(3.0, 2.0), level) for level in (-45.0, -65.0)])
    found = pause(samples)
    assert found is not None
    assert 8.0 <= found.at_s <= 8.7
    assert found.level_dbfs == pytest.approx(-65.0, abs=0.3)


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros((5 * RATE, 1)),
        played(4.0, 3.0),
        sine_block(440.0, 5.0, peak=0.1),
        sine_block(440.0, 0.3),
        with_hiss(played(4.0, 1.2), -50),
    ],
    ids=["silence", "a rest of digital zeros", "no rest", "very short", "a rest too short"],
)
def test_no_pause(samples: Samples) -> None:
    """Without 1.3 s of quiet sound there is no pause to listen to."""
    assert pause(samples) is None
