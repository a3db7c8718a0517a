"""The constant part of a channel: offsets found, and drums and basses that only look like one."""

import numpy as np
import pytest

from stager.detectors.dc_offset import offset_of
from stager.judge.condition import dc_offset
from stager.meters import AverageMeter, AverageResult
from stager.model.condition import Offset
from stager.model.limits import ConditionLimits
from tests.support.signals import Samples, frames_of, sine_block, white_noise

RATE = 48_000


def average_of(samples: Samples) -> AverageResult:
    meter = AverageMeter(samples.shape[1], RATE)
    meter.update(samples)
    return meter.result()


def offset(samples: Samples, channel: int = 0) -> Offset | None:
    return offset_of(average_of(samples), channel)


def is_told(samples: Samples) -> bool:
    return bool(dc_offset([offset(samples)], ConditionLimits()))


def kicks(every_s: float, seconds: float = 12.0) -> Samples:
    """Strokes of a falling sine, which lean to one side: each has a mean of amplitude over angular frequency."""
    out, n = np.zeros(round(seconds * RATE)), np.arange(round(0.4 * RATE)) / RATE
    stroke = 0.8 * np.sin(2 * np.pi * 50.0 * n) * np.exp(-n / 0.08)
    for start in np.arange(0.0, seconds - 0.4, every_s):
        out[round(start * RATE) :][: len(n)] += stroke
    return frames_of(out) + 1e-5 * white_noise(len(out), seed=5, rms=0.1)


@pytest.mark.parametrize("level", [0.002, -0.002, 0.05])
def test_an_offset_is_read_as_it_is(level: float) -> None:
    """A constant under music is the median of its block means, in loud and quiet blocks, with one sign in all."""
    found = offset(sine_block(220.0, 10.0, peak=0.3) + 0.001 * white_noise(10 * RATE) + level)
    assert found is not None
    assert found.median_linear == pytest.approx(level, abs=1e-4)
    assert found.quiet_linear == pytest.approx(level, abs=1e-4)
    assert (found.same_sign_ratio, found.covered_s) == (1.0, pytest.approx(10.0))


@pytest.mark.parametrize(("level", "told"), [(0.00105, True), (-0.00105, True), (0.00095, False), (0.0, False)])
def test_just_past_and_just_short(level: float, told: bool) -> None:
    """A thousandth of full scale is the border."""
    assert is_told(sine_block(1000.0, 8.0, peak=0.2) + level) is told


@pytest.mark.parametrize(("seconds", "told"), [(5.0, True), (4.8, False)])
def test_short_stems_are_not_judged(seconds: float, told: bool) -> None:
    """Five seconds are the least."""
    assert is_told(sine_block(1000.0, seconds, peak=0.2) + 0.01) is told


@pytest.mark.parametrize("every_s", [0.45, 0.5, 1.0, 2.0])
def test_clean_drums_are_not_accused(every_s: float) -> None:
    """A drum's mean is not 0, and lies in its strokes alone."""
    samples = kicks(every_s)
    assert not is_told(samples)
    assert is_told(samples + 0.02)


def test_a_drum_has_a_mean() -> None:
    """The drum of these tests would be accused by its mean alone: over 0.001 when it is struck twice a second."""
    assert kicks(0.5).mean() > 0.001


@pytest.mark.parametrize("hz", [41.2, 55.0, 98.0])
def test_bass_leans_to_either_side(hz: float) -> None:
    """A low tone has block means of either sign, and no offset."""
    assert not is_told(sine_block(hz, 10.0, peak=0.9))


def test_digital_silence_is_left_out() -> None:
    """An offset under the playing is found although the stem is muted for most of the time."""
    playing = sine_block(330.0, 8.0, peak=0.1) + 0.004
    found = offset(np.concatenate((playing, np.zeros((20 * RATE, 1)))))
    assert found is not None
    assert found.median_linear == pytest.approx(0.004, abs=1e-4)
    assert found.covered_s == pytest.approx(8.0, abs=0.4)


def test_silence_has_none() -> None:
    """Of zeros alone nothing is said."""
    assert offset(np.zeros((RATE, 1))) is None


def test_each_channel_has_its_own() -> None:
    """Channels are looked at one by one, and named."""
    samples = np.hstack((sine_block(500.0, 6.0, peak=0.1), sine_block(500.0, 6.0, peak=0.1) - 0.01))
    average = average_of(samples)
    (finding,) = dc_offset([offset_of(average, channel) for channel in range(2)], ConditionLimits())
    assert finding.channels == (2,)
    assert finding.measured["offset_linear"] == pytest.approx(-0.01, abs=1e-4)
    assert "(1 % of full scale), right" in finding.says


def part_with(level: float, start_s: float, seconds: float, *, peak: float, total_s: float = 8.0) -> Samples:
    """A soft tone with an offset from one place on, for so long."""
    samples = sine_block(330.0, total_s, peak=peak) + 1e-5 * white_noise(round(total_s * RATE))
    samples[round(start_s * RATE) : round((start_s + seconds) * RATE)] += level
    return samples


@pytest.mark.parametrize("start_s", [0.0, 3.2, 3.25, 7.4])
@pytest.mark.parametrize("level", [0.0012, -0.03])
def test_an_offset_of_half_a_second_is_found_with_its_place(level: float, start_s: float) -> None:
    """Half a second of it, wherever it lies against the blocks, is found; the sound's RMS is 3 times as large."""
    found = dc_offset([offset(part_with(level, start_s, 0.6, peak=4.0 * abs(level)))], ConditionLimits())
    assert len(found) == 1
    assert found[0].worst_at_s == pytest.approx(start_s, abs=0.2)
    assert found[0].measured["offset_linear"] == pytest.approx(level, rel=0.1)
    assert "Harmless unless you cut there." in found[0].says


@pytest.mark.parametrize(("seconds", "told"), [(0.5, True), (0.25, False)])
def test_half_a_second_is_the_least(seconds: float, told: bool) -> None:
    """What is shorter is a thump."""
    assert is_told(part_with(0.01, 3.0, seconds, peak=0.01)) is told


@pytest.mark.parametrize("seconds", [0.5, 1.0, 4.8])
def test_a_short_file_has_its_offset_too(seconds: float) -> None:
    """A file of half a second that lies off zero from start to end."""
    assert is_told(sine_block(1000.0, seconds, peak=0.01) + 0.01)


def test_a_stretch_names_its_channel() -> None:
    """Only the right side lies off zero, for one second."""
    samples = np.hstack((part_with(0.0, 0.0, 0.0, peak=0.01), part_with(0.01, 2.0, 1.0, peak=0.01)))
    average = average_of(samples)
    (finding,) = dc_offset([offset_of(average, channel) for channel in range(2)], ConditionLimits())
    assert finding.channels == (2,)
    assert finding.says.startswith("Constant offset (1 % of full scale), right, from 0:02.0 for 1.0 s")


@pytest.mark.parametrize("hz", [15.0, 30.0, 41.2, 98.0])
def test_low_notes_that_begin_and_end_have_no_stretch(hz: float) -> None:
    """Short low notes, cut anywhere in their period, have means far under a quarter of their RMS."""
    rng, samples = np.random.default_rng(int(hz)), sine_block(hz, 12.0, peak=0.8)
    for start in rng.uniform(0.0, 11.0, 8):
        samples[round(start * RATE) : round((start + rng.uniform(0.05, 0.8)) * RATE)] = 0.0
    assert not is_told(samples + 1e-5 * white_noise(len(samples)))
