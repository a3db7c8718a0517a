"""Splices and repeated buffers: found in sustained sound, by any cut into blocks; none in what only looks like them."""

import numpy as np
import pytest

from stager.detectors import RepeatMeter, SpliceMeter
from tests.support.wavefile import Array

RATE = 48_000
SECONDS = 4


def chord(seed: int) -> Array:
    """Return a sustained chord that slowly beats, with the noise of a room under it."""
    rng, t = np.random.default_rng((77_401, seed)), np.arange(SECONDS * RATE) / RATE
    partials = [(hz * k, 0.1 / k) for hz in rng.uniform(100.0, 400.0, 3) for k in range(1, 6)]
    sound = sum(level * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6)) for hz, level in partials)
    return np.asarray(np.round((sound + 1e-4 * rng.standard_normal(len(t))) * 2**23) / 2**23)


def spliced(samples: Array) -> list[int]:
    """Return where one channel has splices."""
    meter = SpliceMeter(1, RATE)
    meter.update(samples[:, None])
    return [gap.start for gap in meter.result()]


def repeated(samples: Array) -> list[tuple[int, int]]:
    """Return where one channel has repetitions, and how long they are."""
    meter = RepeatMeter(1)
    meter.update(samples[:, None])
    return [(gap.start, gap.frames) for gap in meter.result()]


@pytest.mark.parametrize("frames", [64, 100, 256, 441, 1024])
def test_lost_and_repeated_buffers(frames: int) -> None:
    """A lost buffer is a splice where it was; a repeated one is told to the sample; the sound itself has neither."""
    sound, at = chord(frames), 2 * RATE + frames
    assert (spliced(sound), repeated(sound)) == ([], [])
    lost = np.concatenate((sound[:at], sound[at + frames :]))
    assert [abs(place - at) <= 40 for place in spliced(lost)] == [True]
    assert repeated(lost) == []
    again = np.concatenate((sound[:at], sound[at - frames :]))
    assert repeated(again) == [(at, frames)]


def test_a_click() -> None:
    """One sample half the peak of the part off its way."""
    sound = chord(1)
    sound[RATE] += 0.5 * np.abs(sound).max()
    assert [abs(place - RATE) <= 40 for place in spliced(sound)] == [True]


@pytest.mark.parametrize("cut", [1_000, 4_097])
def test_any_cut_gives_the_same(cut: int) -> None:
    """Two channels, both with damage, in blocks of different length."""
    sound = np.stack((chord(2), chord(3)), axis=1)
    sound = np.concatenate((sound[:60_000], sound[59_700:120_000], sound[120_300:]))
    whole, meters = (SpliceMeter(2, RATE), RepeatMeter(2)), (SpliceMeter(2, RATE), RepeatMeter(2))
    for meter, other in zip(whole, meters, strict=True):
        meter.update(sound)
        for first in range(0, len(sound), cut):
            other.update(sound[first : first + cut])
        assert meter.result() == other.result()
    assert [len(meter.result()) for meter in meters] == [4, 2]


@pytest.mark.parametrize(
    "samples",
    [
        np.tile(np.sign(np.sin(2 * np.pi * np.arange(96) / 96)), 1_000),
        np.tile(chord(4)[:500], 200),
        np.zeros(RATE),
        np.random.default_rng(5).integers(-1, 2, 4 * RATE) * 2.0**-15,
    ],
    ids=["square wave", "stored wave", "silence", "noise of one code"],
)
def test_what_comes_again_by_its_nature(samples: Array) -> None:
    """Waves of whole periods, silence and the last bit of a converter are no repeated buffers."""
    assert repeated(samples) == []


def test_a_note_that_begins_is_no_splice() -> None:
    """The level changes with it."""
    sound = 0.01 * chord(6)
    sound[2 * RATE :] += chord(7)[2 * RATE :]
    assert spliced(sound) == []


@pytest.mark.parametrize(("late", "count"), [(0, 2), (200, 0)])
def test_lost_data_is_lost_in_all_channels_at_once(late: int, count: int) -> None:
    """What the other channel has 4 ms later is sound that reached two microphones (343 m/s, from memory)."""
    sound = np.stack((chord(8), chord(9)), axis=1)
    sound[RATE, 0] += 0.4
    sound[RATE + late, 1] += 0.4
    meter = SpliceMeter(2, RATE)
    meter.update(sound)
    assert len(meter.result()) == count
