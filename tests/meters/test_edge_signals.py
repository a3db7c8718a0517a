"""Signals at the edge of what a meter can say, and what every figure reads of them; what no signal may change.

Warnings are errors in these tests: no figure may come with one.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.analysis.panel import Panel
from stager.model import Levels
from stager.units import linear_from_db
from tests.support.records import stream
from tests.support.reference_levels import true_peak_dbtp
from tests.support.reference_loudness import integrated_lufs, loudest_lufs
from tests.support.signals import Samples, cut, frames_of, sine_block

RATE: Final = 48_000
TEXT: Final = {"average_reference", "per_channel", "extra"}


def levels(*blocks: Samples, rate_hz: int = RATE) -> Levels:
    """Every figure of a float file, averages AES17 of the loudest channel."""
    channels, frames = blocks[0].shape[1], sum(map(len, blocks))
    panel = Panel(stream(0, channels, frames, rate_hz=rate_hz))
    for block in blocks:
        panel.update(block.copy())
    return panel.result().levels("sine", "loudest")


def figures(record: Levels) -> dict[str, Any]:
    """The figures of a record by name."""
    return record.model_dump(exclude=TEXT)


def needle_mean_db(seconds: float) -> float:
    """Mean of the needle over the first part of a steady tone, dB under its end: the step response, summed by numpy."""
    at = np.linspace(0.0, seconds, 20_001)
    swing = 13.512 * np.sqrt(1.0 - 0.81272**2)
    fall = np.exp(-0.81272 * 13.512 * at)
    step = 1.0 - fall * (np.cos(swing * at) + 0.81272 * 13.512 / swing * np.sin(swing * at))
    return float(20 * np.log10(np.trapezoid(step, at) / seconds))


@dataclass(frozen=True)
class Edge:
    """A signal and what its figures read; those not named are None, save silence's zeros. `tolerance` is for all."""

    make: Callable[[], Samples]
    expected: dict[str, float]
    tolerance: float = 0.01


def _tone_of(milliseconds: int) -> Samples:
    return sine_block(1000.0, milliseconds / 1000.0, peak=0.1)


def _late_hit() -> Samples:
    return np.concatenate((np.zeros((5 * RATE, 1)), sine_block(1000.0, 0.09, peak=0.5)))


def _square() -> Samples:
    return frames_of(np.where(np.arange(10 * RATE) % 48 < 24, 1.0, -1.0))


def _constant() -> Samples:
    return np.full((10 * RATE, 1), 0.25)


def _slow() -> Samples:
    return sine_block(1.0, 60.0, peak=0.5)


def _fast() -> Samples:
    samples = sine_block(0.49 * RATE, 20.0, peak=0.5)
    ramp = np.linspace(0.0, 1.0, 480)[:, None]
    samples[:480] *= ramp
    samples[-480:] *= ramp[::-1]
    return samples


def _loudness(make: Callable[[], Samples]) -> dict[str, float]:
    """Loudness of a signal that doesn't change by the tests' own meter; its range is 0."""
    integrated = integrated_lufs(make(), RATE)
    assert integrated is not None
    return {
        "loudness_lufs": integrated,
        "loudness_momentary_max_lufs": loudest_lufs(make(), RATE, 0.4),
        "loudness_short_term_max_lufs": loudest_lufs(make(), RATE, 3.0),
        "loudness_range_lu": 0.0,
    }


SAMPLED_DB: Final = float(20 * np.log10(np.abs(np.sin(np.pi * np.arange(24) / 24)).mean() * np.pi / 2))
"""What 24 samples of a half-wave miss of its mean: 0.012 dB at 1 kHz and 48 kHz."""
ZERO: Final = {"active_ratio": 0.0, "dc_offset_linear": 0.0}
HIT_DB: Final = float(10 * np.log10(0.125))
TONE: Final = {
    "sample_peak_dbfs": -20.0,
    "true_peak_dbtp": -20.0,
    "average_dbfs": -20.0,
    "average_ungated_dbfs": -20.0,
    "crest_db": 3.01,
    "active_ratio": 1.0,
    "dc_offset_linear": 0.0,
}
EDGES: Final = {
    "digital silence": Edge(lambda: np.zeros((5 * RATE, 2)), ZERO),
    "one sample": Edge(
        lambda: frames_of([0.5]),
        {
            **ZERO,
            "dc_offset_linear": 0.5,
            "sample_peak_dbfs": -6.02,
            "true_peak_dbtp": -6.02,
            "average_ungated_dbfs": -6.02 + 3.01,
        },
    ),
    "399 ms of a tone": Edge(lambda: _tone_of(399), {**TONE, "vu_dbfs": -20.0 + needle_mean_db(0.399) + SAMPLED_DB}),
    "401 ms of a tone": Edge(
        lambda: _tone_of(401),
        {
            **TONE,
            "vu_dbfs": -20.0 + needle_mean_db(0.401) + SAMPLED_DB,
            "loudness_lufs": -23.003,
            "loudness_momentary_max_lufs": -23.003,
        },
        tolerance=0.025,
    ),
    "a hit in the last 90 ms": Edge(
        _late_hit,
        {
            "sample_peak_dbfs": -6.02,
            "true_peak_dbtp": -6.02,
            "average_dbfs": HIT_DB + 3.01 + 10 * np.log10(90 / 400),
            "average_ungated_dbfs": HIT_DB + 3.01 + 10 * np.log10(90 / 5090),
            "crest_db": 3.01 - 10 * np.log10(90 / 5090),
            "active_ratio": 1 / 48,
            "dc_offset_linear": 0.0,
            "vu_dbfs": -6.02 + needle_mean_db(0.09) + 20 * np.log10(90 / 400),
            "loudness_momentary_max_lufs": HIT_DB + 0.007 + 10 * np.log10(90 / 400),
            "loudness_short_term_max_lufs": HIT_DB + 0.007 + 10 * np.log10(90 / 3000),
        },
        tolerance=0.02,
    ),
    "nothing but a constant of 0.25": Edge(
        _constant,
        {
            **ZERO,
            "dc_offset_linear": 0.25,
            "sample_peak_dbfs": -12.04,
            "true_peak_dbtp": true_peak_dbtp(_constant()[:RATE]),
            "average_ungated_dbfs": -12.04 + 3.01,
            **_loudness(_constant),
        },
        tolerance=0.01,
    ),
    "a full-scale square": Edge(
        _square,
        {
            "sample_peak_dbfs": 0.0,
            "true_peak_dbtp": true_peak_dbtp(_square()[:RATE]),
            "average_dbfs": 3.01,
            "average_ungated_dbfs": 3.01,
            "crest_db": 0.0,
            "active_ratio": 1.0,
            "dc_offset_linear": 0.0,
            "vu_dbfs": 20 * np.log10(np.pi / 2),
            **_loudness(_square),
        },
        tolerance=0.05,
    ),
    "1 Hz": Edge(
        _slow,
        {
            "sample_peak_dbfs": -6.02,
            "true_peak_dbtp": -6.02,
            "average_dbfs": -6.02,
            "average_ungated_dbfs": -6.02,
            "crest_db": 3.01,
            "active_ratio": 1.0,
            "dc_offset_linear": 0.0,
            "vu_dbfs": -6.02,
            **_loudness(_slow),
        },
        tolerance=0.05,
    ),
    "0.49 of the rate": Edge(
        _fast,
        {
            "sample_peak_dbfs": -6.02,
            "true_peak_dbtp": -6.02,
            "average_dbfs": -6.02,
            "average_ungated_dbfs": -6.02,
            "crest_db": 3.01,
            "active_ratio": 1.0,
            "dc_offset_linear": 0.0,
            "vu_dbfs": -6.02,
            **_loudness(_fast),
        },
        tolerance=0.05,
    ),
}
"""By arithmetic; loudness of what is no tone by the numpy meter of tests/standards, the true peak of what jumps by a
sinc of 128 samples. A constant and a step are loud for the moment of their start only."""


@pytest.mark.parametrize("edge", EDGES.values(), ids=EDGES.keys())
def test_every_figure_of_an_edge_signal(edge: Edge) -> None:
    """Every figure reads what it must, and None where there is none to read; places in time are left to their tests."""
    for name, found in figures(levels(edge.make())).items():
        if not name.endswith("_at_s"):
            expected = edge.expected.get(name)
            assert found == (None if expected is None else pytest.approx(expected, abs=edge.tolerance)), name


@pytest.mark.parametrize("edge", EDGES.values(), ids=EDGES.keys())
@pytest.mark.parametrize("rate_hz", [8_000, 384_000])
def test_no_rate_trips_over_an_edge_signal(edge: Edge, rate_hz: int) -> None:
    """The same samples at the lowest and the highest rate: figures that are finite or None, peaks the same."""
    samples = edge.make()[-4 * RATE :]
    found = figures(levels(samples, rate_hz=rate_hz))
    assert all(value is None or np.isfinite(value) for value in found.values())
    assert found["sample_peak_dbfs"] == figures(levels(samples))["sample_peak_dbfs"]
    assert found["true_peak_dbtp"] == figures(levels(samples))["true_peak_dbtp"]


@pytest.mark.parametrize("frames", [1, 2, 3, 47, 63, 64, 65, 480, 4_799, 4_800, 4_801, 19_199, 19_200, 19_201])
def test_short_files_have_figures_that_are_finite(frames: int) -> None:
    """No length near an edge of a hop, a filter or a block gives anything but a finite number or None."""
    samples = np.random.default_rng(frames).normal(0.0, 0.1, (frames, 2))
    found = figures(levels(samples))
    assert all(value is None or np.isfinite(value) for value in found.values())
    assert found["sample_peak_dbfs"] == pytest.approx(20 * np.log10(np.abs(samples).max()), abs=1e-9)


SEEDS: Final = st.integers(0, 25)
RATIOS: Final = (
    *("crest_db", "active_ratio", "loudness_range_lu", "correlation", "side_balance_db", "mono_loss_db"),
    *("sample_peak_at_s", "true_peak_at_s", "hum_hz"),
)
LEVELS: Final = (
    *("sample_peak_dbfs", "true_peak_dbtp", "average_dbfs", "average_ungated_dbfs", "vu_dbfs", "noise_floor_dbfs"),
    *("loudness_lufs", "loudness_momentary_max_lufs", "loudness_short_term_max_lufs", "hum_dbfs"),
)


@cache
def sounding(seed: int) -> Samples:
    """Stereo, 8 s at 8 kHz: noise that plays and rests by turns, its rests 25 to 40 dB lower, all over -60 dBFS."""
    rng, rate_hz = np.random.default_rng(seed), 8_000
    steps = np.where(np.arange(8) % 2, rng.uniform(-14.0, -8.0, 8), rng.uniform(-48.0, -39.0, 8))
    gain = 10 ** (np.repeat(steps, rate_hz)[:, None] / 20)
    common, own = rng.normal(size=(8 * rate_hz, 1)), rng.normal(size=(8 * rate_hz, 2))
    return gain * (rng.uniform(-0.3, 0.3) * common + [0.3, 0.2] * own)


@cache
def sounding_figures(seed: int) -> dict[str, Any]:
    return figures(levels(sounding(seed), rate_hz=8_000))


def test_sounding_parts_have_every_figure_but_hum() -> None:
    """Control: what follows is about numbers, not about None."""
    found = sounding_figures(0)
    assert [name for name, value in found.items() if value is None] == ["hum_dbfs", "hum_hz"]


@settings(deadline=None, max_examples=30)
@given(seed=SEEDS, edges=st.lists(st.integers(1, 63_999), max_size=25))
def test_any_cut_of_the_blocks_gives_the_same(seed: int, edges: list[int]) -> None:
    """However the blocks are cut, every figure is the same to 1e-9."""
    other = figures(levels(*cut(sounding(seed), edges), rate_hz=8_000))
    assert other == pytest.approx(sounding_figures(seed), abs=1e-9)


@settings(deadline=None, max_examples=30)
@given(seed=SEEDS, gain_db=st.floats(0.0, 40.0))
def test_gain_moves_levels_and_leaves_ratios(seed: int, gain_db: float) -> None:
    """A gain of g dB moves every level by g within 1e-6 and leaves every ratio; all blocks stay over -60 dBFS."""
    one = sounding_figures(seed)
    other = figures(levels(sounding(seed) * linear_from_db(gain_db), rate_hz=8_000))
    for name in LEVELS:
        expected = None if one[name] is None else pytest.approx(one[name] + gain_db, abs=1e-6)
        assert other[name] == expected, name
    for name in RATIOS:
        assert other[name] == (None if one[name] is None else pytest.approx(one[name], abs=1e-6)), name
    assert other["dc_offset_linear"] == pytest.approx(one["dc_offset_linear"] * linear_from_db(gain_db), rel=1e-6)
    assert set(one) == {*LEVELS, *RATIOS, "dc_offset_linear"}


@settings(deadline=None, max_examples=30)
@given(seed=SEEDS)
def test_time_reversal_leaves_peaks(seed: int) -> None:
    """Played backwards, a part has the same peaks, ungated level, crest, constant part and relations of its sides."""
    one, other = sounding_figures(seed), figures(levels(sounding(seed)[::-1].copy(), rate_hz=8_000))
    same = (
        *("sample_peak_dbfs", "true_peak_dbtp", "average_ungated_dbfs", "crest_db", "dc_offset_linear"),
        *("correlation", "side_balance_db", "mono_loss_db"),
    )
    assert {name: other[name] for name in same} == pytest.approx({name: one[name] for name in same}, abs=1e-9)


@settings(deadline=None, max_examples=30)
@given(seed=SEEDS)
def test_channel_swap_swaps(seed: int) -> None:
    """With the sides swapped the channels' records are swapped, the balance is negated, and all else is the same."""
    samples = sounding(seed)
    one, other = levels(samples, rate_hz=8_000), levels(samples[:, ::-1].copy(), rate_hz=8_000)
    for swapped, channel in zip(other.per_channel, reversed(one.per_channel), strict=True):
        assert swapped.model_dump() == pytest.approx(channel.model_dump(), abs=1e-9)
    expected = {**figures(one), "side_balance_db": -(one.side_balance_db or 0.0)}
    assert figures(other) == pytest.approx(expected, abs=1e-9)
