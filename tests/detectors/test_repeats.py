"""Repeated buffers: found to the sample, by any cut into blocks; none in what comes again by its nature."""

import numpy as np
import pytest

from stager.detectors import RepeatMeter
from tests.support.wavefile import Array

RATE = 48_000
SECONDS = 4


def chord(seed: int) -> Array:
    """Return a sustained chord that slowly beats, with the noise of a room under it."""
    rng, t = np.random.default_rng((77_401, seed)), np.arange(SECONDS * RATE) / RATE
    partials = [(hz * k, 0.1 / k) for hz in rng.uniform(100.0, 400.0, 3) for k in range(1, 6)]
    sound = sum(level * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6)) for hz, level in partials)
    return np.asarray(np.round((sound + 1e-4 * rng.standard_normal(len(t))) * 2**23) / 2**23)


def repeated(samples: Array) -> list[tuple[int, int]]:
    """Return where one channel has repetitions, and how long they are."""
    meter = RepeatMeter(1)
    meter.update(samples[:, None])
    return [(gap.start, gap.frames) for gap in meter.result()]


@pytest.mark.parametrize("frames", [64, 100, 256, 441, 1024])
def test_repeated_buffers(frames: int) -> None:
    """A buffer that comes twice is told to the sample; the sound itself and a lost buffer are none."""
    sound, at = chord(frames), 2 * RATE + frames
    assert repeated(sound) == []
    assert repeated(np.concatenate((sound[:at], sound[at + frames :]))) == []
    assert repeated(np.concatenate((sound[:at], sound[at - frames :]))) == [(at, frames)]
    in_place = sound.copy()
    in_place[at : at + frames] = sound[at - frames : at]
    assert repeated(in_place) == [(at, frames)]


@pytest.mark.parametrize("cut", [1_000, 4_097])
def test_any_cut_gives_the_same(cut: int) -> None:
    """Two channels, both with a repeated buffer, in blocks of different length."""
    sound = np.stack((chord(2), chord(3)), axis=1)
    sound = np.concatenate((sound[:60_000], sound[59_700:]))
    whole, meter = RepeatMeter(2), RepeatMeter(2)
    whole.update(sound)
    for first in range(0, len(sound), cut):
        meter.update(sound[first : first + cut])
    assert meter.result() == whole.result()
    assert [(gap.start, gap.frames, gap.channel) for gap in meter.result()] == [(60_000, 300, 0), (60_000, 300, 1)]


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
