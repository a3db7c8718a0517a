"""The finding of crests that pile up, by each of its thresholds."""

from typing import Any

import numpy as np
import pytest

from stager.detectors.crest_heights import CrestHeightMeter
from stager.judge.crest_piles import clipped_before_coding
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
