"""The finding of crests that pile up, by each of its thresholds."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.detectors import FlatTopMeter
from stager.detectors.crest_heights import CrestHeightMeter
from stager.judge.crest_piles import clipped_before_coding
from stager.judge.damage import clipped
from stager.model import Verdict
from stager.model.damage import CrestPile
from stager.model.limits import DamageLimits
from tests.support.records import stream

RATE_HZ = 48_000
INFO = stream(24, 2, 48_000 * 60)
LIMITS = DamageLimits()


def pile(**changed: Any) -> CrestPile:
    base: dict[str, Any] = {
        "channel": 0,
        "level_linear": 0.5,
        "events": 200,
        "above_events": 3,
        "density_ratio": 8.0,
        "below_events": 90,
        "curvature_variation": 0.7,
        "starts": (96_000, 480_000),
    }
    return CrestPile(**{**base, **changed})


def test_what_is_said() -> None:
    """The two sides of a channel count together; the densest names level and place."""
    (found,) = clipped_before_coding([pile(), pile(level_linear=-0.25, events=20 + 30, density_ratio=4.0)], INFO)
    assert (found.code, found.verdict, found.channels, found.count) == (
        "clipped_before_coding",
        Verdict.LISTEN,
        (1,),
        250,
    )
    assert found.says == (
        "Peaks pile up 250 times at -6.0 dBFS, as clipping before coding, or a limiter, leaves it: listen at 0:02.0."
    )
    assert (found.at_s, found.worst_at_s) == ((2.0, 10.0), 2.0)


@pytest.mark.parametrize(
    "changed",
    [
        {"density_ratio": LIMITS.pile_density_ratio - 0.01},
        {"events": LIMITS.pile_events - 1},
        {"curvature_variation": LIMITS.pile_curvature_variation - 0.01},
        {"below_events": 9},
        {"events": 30, "density_ratio": 30 / LIMITS.pile_chance_events + 0.01},
    ],
)
def test_each_threshold_alone_keeps_it_silent(changed: dict[str, float]) -> None:
    """A pile that fails one threshold is not reported."""
    assert clipped_before_coding([pile(**changed)], INFO) == []


def test_at_each_threshold_it_speaks() -> None:
    """A pile at every threshold is reported."""
    at = pile(
        density_ratio=LIMITS.pile_density_ratio,
        events=LIMITS.pile_events,
        curvature_variation=LIMITS.pile_curvature_variation,
        below_events=2,
    )
    assert len(clipped_before_coding([at], INFO)) == 1


def test_both_sides_at_one_level_count_together() -> None:
    """Two sides that are too thin alone are a cut where they lie at one level, and in one channel."""
    half = LIMITS.pile_sides_density_ratio / 2.0
    upper, lower = pile(density_ratio=half), pile(density_ratio=half, level_linear=-0.5)
    assert [finding.count for finding in clipped_before_coding([upper, lower], INFO)] == [400]
    for other in (
        {"density_ratio": half - 0.01},
        {"level_linear": -0.48},
        {"level_linear": 0.5},
        {"channel": 1},
    ):
        apart = lower.model_copy(update=other)
        assert clipped_before_coding([upper, apart], INFO) == []


def test_no_piles() -> None:
    """Nothing is found where nothing piles up."""
    assert clipped_before_coding([], INFO) == []


@pytest.mark.parametrize("frequency_hz", [55.0, 110.0, 440.0, 1000.0])
@pytest.mark.parametrize("noise_linear", [0.0001, 0.001, 0.003, 0.01])
@pytest.mark.parametrize("harmonics", [1, 8])
@pytest.mark.parametrize("decay", [0.0, 0.1])
def test_notes_of_one_level_are_not_cut(frequency_hz: float, noise_linear: float, harmonics: int, decay: float) -> None:
    """A synthesiser's held or repeated note ends at one level by itself, also where noise moves its crests a little."""
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    note = sum(np.sin(2 * np.pi * frequency_hz * k * time_s) / k for k in range(1, harmonics + 1))
    noise = np.random.default_rng(1).standard_normal(len(time_s))
    meter = CrestHeightMeter(1)
    meter.update(((1.0 - decay * ((2.0 * time_s) % 1.0)) * 0.07 * note + noise_linear * noise).reshape(-1, 1))
    assert clipped_before_coding(meter.result(), stream(24, 1, len(time_s))) == []


@settings(deadline=None, max_examples=40)
@given(
    frequency_hz=st.floats(25.0, 9_000.0),
    harmonics=st.integers(1, 4),
    noise_linear=st.sampled_from([0.0, 1e-5, 1e-4, 1e-3]),
    swing=st.floats(0.0, 0.1),
    seed=st.integers(0, 99),
)
def test_steady_tones_are_not_cut(
    frequency_hz: float, harmonics: int, noise_linear: float, swing: float, seed: int
) -> None:
    """A tone of whatever pitch and partials, steady or swinging slowly in level, has neither piles nor flat tops."""
    rng, time_s = np.random.default_rng(seed), np.arange(RATE_HZ) / RATE_HZ
    note = sum(
        rng.uniform(0.05, 1.0) * np.sin(2 * np.pi * frequency_hz * k * time_s + rng.uniform(0.0, 6.3))
        for k in range(1, harmonics + 1)
        if frequency_hz * k < 0.4 * RATE_HZ
    )
    made = note * (1.0 + swing * np.sin(2 * np.pi * rng.uniform(0.2, 8.0) * time_s))
    made = 0.7 * made / np.abs(made).max() + noise_linear * rng.standard_normal(len(time_s))
    samples, info = np.rint(made * 2.0**23)[:, None] / 2.0**23, stream(24, 1, len(time_s))
    crests, tops = CrestHeightMeter(1), FlatTopMeter(info)
    crests.update(samples)
    tops.update(samples)
    assert clipped_before_coding(crests.result(), info) == []
    assert [found for found in clipped(tops.result(), info) if found.verdict is not Verdict.USABLE] == []
