"""The needle: how it rises, how far it overshoots, what bursts show, and what a stem's figure is made of."""

from functools import cache
from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.meters import AverageMeter, AverageResult, VuMeter, VuResult
from stager.units import db_from_linear, linear_from_db
from tests.support.signals import Samples, cut, sine_block, white_noise

RATES_HZ: Final = (8_000, 44_100, 48_000, 96_000, 192_000)
TONE_HZ: Final = 997.0
"""At exactly 1 kHz and 48 kHz the samples of |sin| have a mean 0.14 % too low, and t99 reads 302 ms."""


def vu(*blocks: Samples, rate_hz: int = 48_000) -> VuResult:
    meter = VuMeter(blocks[0].shape[1], rate_hz)
    for block in blocks:
        meter.update(block)
    return meter.result()


def average(samples: Samples, rate_hz: int = 48_000) -> AverageResult:
    meter = AverageMeter(samples.shape[1], rate_hz)
    meter.update(samples)
    return meter.result()


def highest(samples: Samples, rate_hz: int = 48_000) -> float:
    return float(vu(samples, rate_hz=rate_hz).highest[0])


def level(linear: float) -> float:
    found = db_from_linear(linear)
    assert found is not None
    return found


def tone(seconds: float, rate_hz: int = 48_000, peak: float = 1.0) -> Samples:
    return sine_block(TONE_HZ, seconds, rate_hz=rate_hz, peak=peak)


@cache
def reached(rate_hz: int, milliseconds: int) -> float:
    """The highest deflection in so many milliseconds of a full-scale tone: while the needle rises, where it stands."""
    return highest(tone(milliseconds / 1000.0, rate_hz), rate_hz)


@pytest.mark.parametrize("rate_hz", RATES_HZ, ids=lambda rate_hz: f"IEC 60268-17 at {rate_hz / 1000:g} kHz")
def test_needle_reaches_99_percent_in_300_ms(rate_hz: int) -> None:
    """A tone's reading is within 1 % of its end at 300 ms, within 10 % of that time: not at 270, but by 330."""
    assert reached(rate_hz, 270) < 0.99
    assert reached(rate_hz, 330) > 0.99


@pytest.mark.parametrize("rate_hz", RATES_HZ, ids=lambda rate_hz: f"IEC 60268-17 at {rate_hz / 1000:g} kHz")
def test_needle_is_solved_for_300_ms_exactly(rate_hz: int) -> None:
    """Damping and frequency are those that reach 99 % at 300 ms: 3 ms before it isn't there, 3 ms later it is."""
    assert reached(rate_hz, 297) < 0.99 < reached(rate_hz, 303)


@pytest.mark.parametrize("rate_hz", RATES_HZ, ids=lambda rate_hz: f"IEC 60268-17 at {rate_hz / 1000:g} kHz")
def test_needle_overshoots_by_1_to_1_5_percent(rate_hz: int) -> None:
    """On its way up the needle passes the end by 1 to 1.5 %; the ripple of a rectified tone is under 0.01 %."""
    assert 1.010 <= highest(tone(3.0, rate_hz), rate_hz) <= 1.015


def test_a_one_pole_needle_fails() -> None:
    """Control: a smoother of one pole that reaches 99 % at 300 ms (65.1 ms) never overshoots, so it is not the VU."""
    needle = 1.0 - np.exp(-np.arange(3000) / 65.1)
    assert needle[300] == pytest.approx(0.99, abs=1e-3)
    assert needle.max() < 1.010


BURSTS_DB: Final = {50: -11.1, 100: -5.6, 200: -1.3, 300: -0.1, 500: 0.1}
"""Highest reading of a burst at reference level, by its length in ms: the step response of IEC 60268-17's needle with
1.25 % overshoot (worked arithmetic)."""


@pytest.mark.parametrize("milliseconds", BURSTS_DB, ids=lambda ms: f"IEC 60268-17, burst of {ms} ms")
def test_burst_reads_its_part_of_the_level(milliseconds: int) -> None:
    """Bursts read within 0.1 dB of the table."""
    burst = np.concatenate((tone(milliseconds / 1000.0), np.zeros((48_000, 1))))
    assert level(highest(burst)) == pytest.approx(BURSTS_DB[milliseconds], abs=0.1)


def test_fall_is_like_the_rise() -> None:
    """After a steady tone the needle falls to 1 % in 300 ms and swings under zero by 1.25 % (a linear system)."""
    steady, silent = tone(5.0), np.zeros((48_000, 1))
    blocks = vu(np.concatenate((steady, silent))).block_deflections[:, 0]
    rising = vu(tone(1.0)).block_deflections[:, 0]
    assert blocks[50] == pytest.approx(1.0 - rising[0], abs=0.002)
    assert blocks[53] == pytest.approx(1.0 - rising[3], abs=0.002)


@pytest.mark.parametrize("level_db", [0.0, -18.0, -60.0])
def test_sine_reads_its_peak_level(level_db: float) -> None:
    """A long tone reads its own level in dBFS of a sine (calibration); its rise takes under 0.02 dB off in a minute."""
    samples = tone(60.0, peak=linear_from_db(level_db))
    assert level(vu(samples).stem_linear(average(samples), "loudest")) == pytest.approx(level_db, abs=0.02)


def test_figure_is_the_mean_of_the_kept_blocks() -> None:
    """The figure averages the needle linearly over the blocks that the average keeps, and over no others."""
    samples = np.concatenate((tone(3.0), np.zeros((96_000, 1)), tone(3.0, peak=0.5)))
    found, kept = vu(samples), average(samples).channel(0).kept
    assert 0 < kept.sum() < len(kept)
    expected = found.block_deflections[kept, 0].mean()
    assert found.stem_linear(average(samples), "loudest") == pytest.approx(expected, rel=1e-12)


def test_loudest_and_mean_of_the_channels() -> None:
    """`loudest` takes the channel that reads highest, `mean` the mean needle of all."""
    samples = np.hstack((tone(20.0), tone(20.0, peak=0.5)))
    found, gates = vu(samples), average(samples)
    assert found.stem_linear(gates, "loudest") == pytest.approx(1.0, abs=0.01)
    assert found.stem_linear(gates, "mean") == pytest.approx(0.75, abs=0.01)


def test_silence_and_what_is_too_quiet_have_no_deflection() -> None:
    """Where the average keeps no block the figure is 0, which has no level."""
    for samples in (np.zeros((48_000, 2)), np.tile(tone(1.0, peak=linear_from_db(-80.0)), (1, 2))):
        assert vu(samples).stem_linear(average(samples), "loudest") == 0.0
        assert vu(samples).stem_linear(average(samples), "mean") == 0.0


def test_gates_after_a_gain() -> None:
    """The blocks count that the average keeps after the gain: a quiet half comes in when it is raised over -70."""
    samples = np.concatenate((tone(5.0, peak=linear_from_db(-62.0)), tone(5.0, peak=linear_from_db(-71.0))))
    found, gates = vu(samples), average(samples)
    loud, both = (found.stem_linear(gates, "loudest", gain_db) for gain_db in (0.0, 5.0))
    assert level(loud) == pytest.approx(-62.0, abs=0.2)
    raised = samples * linear_from_db(5.0)
    assert level(vu(raised).stem_linear(average(raised), "loudest")) == pytest.approx(level(both) + 5.0, abs=1e-6)
    assert level(both) < level(loud) - 2.0


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 50), edges=st.lists(st.integers(1, 15_999), max_size=20))
def test_any_cut_gives_the_same(seed: int, edges: list[int]) -> None:
    """However the blocks are cut, every deflection is the same to rounding."""
    samples = white_noise(16_000, 2, seed=seed)
    one, other = vu(samples, rate_hz=8_000), vu(*cut(samples, edges), rate_hz=8_000)
    assert other.block_deflections == pytest.approx(one.block_deflections, rel=1e-9)
    assert other.highest == pytest.approx(one.highest, rel=1e-12)


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 50), gain_db=st.floats(-30.0, 20.0))
def test_gain_moves_the_level(seed: int, gain_db: float) -> None:
    """A gain of g dB moves the figure by g, while every block stays over -60 dBFS."""
    samples = white_noise(16_000, 2, seed=seed)
    raised = samples * linear_from_db(gain_db)
    one, other = (vu(part, rate_hz=8_000).stem_linear(average(part, 8_000), "mean") for part in (samples, raised))
    assert level(other) - level(one) == pytest.approx(gain_db, abs=1e-6)


def test_polarity_is_not_seen_and_channels_are_apart() -> None:
    """The needle follows the rectified signal; each channel has its own, also where their number is odd."""
    samples = white_noise(16_000, 3, seed=5)
    found = vu(samples, rate_hz=8_000)
    assert np.array_equal(vu(-samples, rate_hz=8_000).block_deflections, found.block_deflections)
    order = [2, 0, 1]
    swapped = vu(samples[:, order].copy(), rate_hz=8_000)
    assert swapped.block_deflections == pytest.approx(found.block_deflections[:, order], rel=1e-12)
    for channel in range(3):
        alone = vu(samples[:, [channel]].copy(), rate_hz=8_000).block_deflections[:, 0]
        assert alone == pytest.approx(found.block_deflections[:, channel], rel=1e-12)


def test_constant_deflects() -> None:
    """The needle sees the file as it is: a constant of 0.5 is a rectified mean of 0.5, pi / 2 over a sine's."""
    assert vu(np.full((480_000, 1), 0.5)).block_deflections[-1, 0] == pytest.approx(0.5 * np.pi / 2, rel=1e-3)
