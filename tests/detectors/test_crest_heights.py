"""Crest heights of clipped sound behind a resampler and codecs of others, against the level at which it was cut.

Resampling by scipy, coding by libsndfile (LAME, libvorbis).
"""

import io

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import resample_poly

from stager.detectors.crest_heights import CrestHeightMeter
from stager.model.damage import CrestPile
from tests.support.signals import Samples, cut, sine_block

RATE_HZ = 44_100
CLEAR = 3.3
"""Density from which a pile counts, as in the limits."""


def piles_of(samples: Samples, edges: tuple[int, ...] = ()) -> tuple[CrestPile, ...]:
    meter = CrestHeightMeter(samples.shape[1])
    for block in cut(samples, edges):
        meter.update(block)
    return meter.result()


def plucked(seconds: float = 8.0) -> Samples:
    """Return notes of several partials that die away, each of its own pitch and strength, (frames, 1)."""
    rng, frames = np.random.default_rng(18), int(seconds * RATE_HZ)
    out, t = np.zeros(frames + RATE_HZ), np.arange(RATE_HZ) / RATE_HZ
    for at in range(0, frames, RATE_HZ // 5):
        hz, strength = rng.uniform(110.0, 440.0), rng.uniform(0.3, 1.0)
        phases = rng.uniform(0.0, 2.0 * np.pi, 6)
        note = sum(np.sin(2.0 * np.pi * hz * k * t + phases[k - 1]) / k for k in range(1, 7))
        out[at : at + RATE_HZ] += strength * note * np.exp(-3.0 * t)
    out = out[:frames]
    return (0.7 * out / np.abs(out).max())[:, None]


def resampled(samples: Samples) -> Samples:
    return np.asarray(resample_poly(samples, 160, 147, axis=0), np.float64)


def coded(samples: Samples, kind: str) -> Samples:
    """Return the samples through an encoder and its decoder."""
    file = io.BytesIO()
    if kind == "vorbis":
        soundfile.write(file, samples, RATE_HZ, format="OGG", subtype="VORBIS")
    else:
        level = (320 - int(kind)) / (320 - 32)
        soundfile.write(
            file,
            samples,
            RATE_HZ,
            format="MP3",
            subtype="MPEG_LAYER_III",
            bitrate_mode="CONSTANT",
            compression_level=level,
        )
    file.seek(0)
    return np.asarray(soundfile.read(file, always_2d=True)[0], np.float64)


def through(samples: Samples, kind: str) -> Samples:
    return resampled(samples) if kind == "rate" else coded(samples, kind)


@pytest.mark.parametrize("kind", ["rate", "128", "320", "vorbis"])
@pytest.mark.parametrize("level", [0.15, 0.25])
def test_clipped_sound_piles_up_at_its_level(kind: str, level: float) -> None:
    """Both sides pile up within 8 % of the level of the cut, and do not bend alike."""
    found = piles_of(through(np.clip(plucked(), -level, level), kind))
    assert [np.sign(pile.level_linear) for pile in found] == [1.0, -1.0]
    for pile in found:
        assert abs(pile.level_linear) == pytest.approx(level, rel=0.08)
        assert pile.density_ratio >= CLEAR
        assert pile.curvature_variation >= 0.3
        assert pile.below_events >= 0.05 * pile.events


@pytest.mark.parametrize("kind", ["rate", "128", "320", "vorbis"])
def test_the_same_sound_unclipped_has_no_pile(kind: str) -> None:
    """What is only coded or resampled stays under the limit on both sides."""
    assert all(pile.density_ratio < CLEAR for pile in piles_of(through(plucked(), kind)))


@pytest.mark.parametrize("kind", ["rate", "320"])
def test_a_steady_tone_is_one_narrow_pile_of_equal_bends(kind: str) -> None:
    """All crests of a sine are alike: that is what tells it from sound that was cut."""
    for pile in piles_of(through(sine_block(997.0, 4.0, peak=0.5)[: 4 * RATE_HZ], kind)):
        assert pile.events > 3000
        assert pile.curvature_variation < 0.1


def test_heights_lie_between_the_samples() -> None:
    """A sine of a quarter of the rate, 45 degrees aside, has its crests 3.01 dB over its samples (arithmetic)."""
    t = np.arange(4800)
    found = piles_of((0.5 * np.sin(0.5 * np.pi * t + 0.25 * np.pi))[:, None])
    assert [abs(pile.level_linear) for pile in found] == pytest.approx([0.5, 0.5], rel=0.02)


def test_few_crests_are_no_pile() -> None:
    """Ten crests, and silence, give no pile at all."""
    assert piles_of(sine_block(1000.0, 0.01, peak=0.5)) == ()
    assert piles_of(np.zeros((4800, 2))) == ()


@settings(max_examples=20, deadline=None)
@given(edges=st.lists(st.integers(0, 60_000), max_size=6).map(sorted).map(tuple))
def test_any_cut_of_the_blocks_gives_the_same(edges: tuple[int, ...]) -> None:
    """Blocks of any length, empty ones included, change nothing."""
    samples = resampled(np.clip(plucked(1.5), -0.3, 0.3))[:60_000]
    assert piles_of(samples, edges) == piles_of(samples)


def test_one_sample_at_a_time() -> None:
    """Blocks of one frame give what one block gives."""
    samples = np.clip(plucked(0.5), -0.2, 0.2)
    assert piles_of(samples, tuple(range(1, len(samples)))) == piles_of(samples)
