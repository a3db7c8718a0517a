"""The steady pause: noise is one, a note that rings out is none."""

import numpy as np
import pytest

from stager.meters import AverageMeter
from stager.meters.pauses import steady_pause
from stager.model.condition import Pause
from tests.making import Samples, frames_of, noise, sine

RATE = 48_000


def pause(samples: Samples) -> Pause | None:
    meter = AverageMeter(samples.shape[1], RATE)
    meter.update(samples)
    average = meter.result()
    return steady_pause(average, average.loudest_channel())


def played(seconds: float, rest_s: float) -> Samples:
    """A tone, then nothing."""
    return np.concatenate((sine(440.0, seconds, peak=0.3), np.zeros((round(rest_s * RATE), 1))))


def hiss(samples: Samples, level_dbfs: float) -> Samples:
    """Noise at this AES17 level over all of it: RMS 10^((level - 3.01) / 20)."""
    return samples + noise(len(samples), rms=10 ** ((level_dbfs - 3.0103) / 20))


@pytest.mark.parametrize("level_dbfs", [-60.0, -45.0])
def test_noise_in_a_pause(level_dbfs: float) -> None:
    """Noise in a rest of two seconds is found at its level and its place."""
    found = pause(hiss(played(4.0, 2.0), level_dbfs))
    assert found is not None
    assert found.level_dbfs == pytest.approx(level_dbfs, abs=0.3)
    assert 4.0 <= found.at_s <= 4.7
    assert found.length_s == pytest.approx(1.3)


@pytest.mark.parametrize(("distance_db", "told"), [(19.0, False), (21.0, True)])
def test_it_lies_20_db_under_the_part(distance_db: float, told: bool) -> None:
    """Louder than that it is a soft passage, no pause; the part is at -10.46 dBFS (0.3 of full scale)."""
    found = pause(hiss(played(20.0, 3.0), -10.46 - distance_db))
    assert (found is not None) is told


@pytest.mark.parametrize(("decay_s", "told"), [(4.0, False), (12.0, False), (40.0, True)])
def test_a_note_that_rings_out_is_no_noise(decay_s: float, told: bool) -> None:
    """A note that falls by 60 dB within 12 s is not steady over 1.3 s; within 40 s it is taken for steady."""
    n = np.arange(5 * RATE) / RATE
    ringing = 0.02 * np.sin(2 * np.pi * 440.0 * n) * 10 ** (-3.0 * n / decay_s)
    assert (pause(np.concatenate((sine(440.0, 5.0, peak=0.5), frames_of(ringing)))) is not None) is told


def test_the_quietest_of_several() -> None:
    """Of two pauses the one with less noise is given."""
    samples = np.concatenate([hiss(played(3.0, 2.0), level) for level in (-45.0, -65.0)])
    found = pause(samples)
    assert found is not None
    assert 8.0 <= found.at_s <= 8.7
    assert found.level_dbfs == pytest.approx(-65.0, abs=0.3)


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros((5 * RATE, 1)),
        played(4.0, 3.0),
        sine(440.0, 5.0, peak=0.1),
        sine(440.0, 0.3),
        hiss(played(4.0, 1.2), -50),
    ],
    ids=["silence", "a rest of digital zeros", "no rest", "very short", "a rest too short"],
)
def test_no_pause(samples: Samples) -> None:
    """Without 1.3 s of quiet sound there is no pause to listen to."""
    assert pause(samples) is None
