"""The loudest event, and what is left without it, against plain arithmetic on the whole array."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors.loudest_event import LoudestEventMeter
from stager.meters import AverageMeter
from stager.model.condition import LoudestEvent
from tests.support.signals import Samples, cut, sine_block, white_noise

RATE = 48_000
HOP = RATE // 10


def event(*blocks: Samples, rate_hz: int = RATE) -> LoudestEvent | None:
    events, averages = LoudestEventMeter(rate_hz), AverageMeter(blocks[0].shape[1], rate_hz)
    for block in blocks:
        events.update(block)
        averages.update(block)
    return events.result().loudest(averages.result(), "loudest")


def test_a_bump_and_the_rest() -> None:
    """A sine at -20 dBFS with a knock at full scale: the rest has the sine's own peak and average."""
    samples = sine_block(997.0, 10.0, peak=0.1)
    samples[3 * RATE + 100] = 1.0
    found = event(samples)
    assert found is not None
    assert (found.at_s, found.start_s, found.stop_s) == (3.0, 2.8, 4.1)
    assert found.peak_dbfs == pytest.approx(0.0, abs=1e-9)
    assert found.rest_peak_dbfs == pytest.approx(-20.0, abs=1e-3)
    assert found.rest_average_dbfs == pytest.approx(-20.0, abs=1e-3)


def test_a_long_bump_does_not_set_the_average() -> None:
    """Half a second of full scale over a sine at -40 dBFS closes the gate for the rest; without it the rest counts."""
    samples = sine_block(997.0, 10.0, peak=0.01)
    samples[5 * RATE : 5 * RATE + RATE // 2] = sine_block(80.0, 0.5)
    found = event(samples)
    assert found is not None
    assert found.rest_average_dbfs == pytest.approx(-40.0, abs=1e-2)


@pytest.mark.parametrize("decay_s", [0.5, 1.5, 3.0])
def test_the_decay_belongs_to_the_event(decay_s: float) -> None:
    """A bell that rings for seconds is one event up to the noise, whose own peak is all that is left of the rest."""
    t, noise = np.arange(10 * RATE) / RATE, 1e-4 * white_noise(10 * RATE, 1, seed=1)
    bell = np.where(t < 1.0, 0.0, 0.5 * np.exp(-np.maximum(0.0, t - 1.0) / decay_s) * np.sin(2 * np.pi * 440.0 * t))
    found = event(bell[:, None] + noise)
    assert found is not None
    assert found.rest_peak_dbfs is not None
    gone_s = 1.0 + decay_s * np.log(0.5 / np.abs(noise).max())
    assert found.stop_s == pytest.approx(gone_s, abs=1.1) or found.stop_s == 10.0
    assert found.rest_peak_dbfs < 20 * np.log10(2.0 * np.abs(noise).max())


def test_playing_that_goes_on_is_no_decay() -> None:
    """After a knock over notes of one loudness the event lasts its usual time."""
    samples = sine_block(997.0, 10.0, peak=0.1)
    samples *= np.where(np.arange(len(samples)) // (RATE // 5) % 2, 0.5, 1.0)[:, None]
    samples[3 * RATE + 100] = 1.0
    found = event(samples)
    assert found is not None
    assert found.stop_s == 4.1


@pytest.mark.parametrize("place", [0, 479_999])
def test_an_event_at_either_end(place: int) -> None:
    """The event is cut off by the file's own ends."""
    samples = sine_block(997.0, 10.0, peak=0.1)
    samples[place] = -1.0
    found = event(samples)
    assert found is not None
    assert (found.start_s, found.stop_s) == ((0.0, 1.1) if place == 0 else (9.7, 10.0))
    assert found.rest_peak_dbfs == pytest.approx(-20.0, abs=1e-3)


def test_one_stroke_is_all_there_is() -> None:
    """Where nothing is left without the event, it has no rest."""
    found = event(sine_block(997.0, 1.0, peak=0.5))
    assert found is not None
    assert (found.rest_peak_dbfs, found.rest_average_dbfs) == (None, None)


@pytest.mark.parametrize("frames", [0, RATE])
def test_silence_has_no_event(frames: int) -> None:
    """Zeros have no loudest moment."""
    events, averages = LoudestEventMeter(RATE), AverageMeter(1, RATE)
    for meter in (events, averages):
        meter.update(np.zeros((max(1, frames), 1)))
    assert events.result().loudest(averages.result(), "loudest") is None


@settings(deadline=None, max_examples=50)
@given(
    seed=st.integers(0, 100),
    rate_hz=st.sampled_from([8_000, 11_025, 44_100]),
    edges=st.lists(st.integers(1, 29_999), max_size=25),
)
def test_hop_peaks_are_those_of_the_array(seed: int, rate_hz: int, edges: list[int]) -> None:
    """However the blocks are cut, each 100 ms between round(k rate / 10) has its largest absolute sample."""
    samples = white_noise(30_000, 2, seed=seed)
    meter = LoudestEventMeter(rate_hz)
    for block in cut(samples, edges):
        meter.update(block)
    hops = [round(k * rate_hz / 10) for k in range(-(-300_000 // rate_hz) + 1)]
    expected = [np.abs(samples[a:b]).max() for a, b in pairwise(hops) if a < len(samples)]
    assert meter.result().linear.tolist() == expected
