"""How the beginnings of notes lie to each other."""

import numpy as np
import pytest

from stager.songset.pairs.excerpts import STRETCH_S, WORK_RATE_HZ
from stager.songset.pairs.onsets import MIN_ONSETS, onset_track

FRAMES = STRETCH_S * WORK_RATE_HZ


def hits(seed: int, places: np.ndarray, lags_s: np.ndarray, *, sample: int | None = None) -> np.ndarray:
    """Noise bursts at these places, moved by these lags; of one sample where one is named, else each its own."""
    rng = np.random.default_rng(seed)
    out = rng.normal(size=FRAMES) * 1e-5
    fade = np.exp(-np.arange(2400) / 500)
    for place, lag in zip(places, lags_s, strict=True):
        burst = (rng if sample is None else np.random.default_rng(sample)).normal(size=2400) * fade
        at = round((place + lag) * WORK_RATE_HZ)
        out[at : at + 2400] += burst
    return out.astype(np.float32)


PLACES = np.arange(1.1, 3.8, 0.22)


@pytest.mark.parametrize("median_ms", [0.0, 7.0, -12.0])
@pytest.mark.parametrize("spread_ms", [0.5, 4.0])
def test_median_and_spread_are_those_that_were_played(median_ms: float, spread_ms: float) -> None:
    """Lags drawn around a median come back: within half the spread and half a millisecond, so does the spread."""
    lags = [np.random.default_rng(seed).normal(median_ms, spread_ms, len(PLACES)) / 1000 for seed in range(6)]
    ones = [hits(seed, PLACES, 0 * PLACES) for seed in range(6)]
    others = [hits(seed + 50, PLACES, lag) for seed, lag in enumerate(lags)]
    found = onset_track(ones, others)
    assert found is not None
    assert found.lag_ms == pytest.approx(median_ms, abs=0.5 + spread_ms / 2)
    assert found.spread_ms == pytest.approx(spread_ms, abs=0.4 + spread_ms / 2)
    assert found.count >= 0.8 * 6 * len(PLACES)


@pytest.mark.parametrize(("samples", "alike"), [((9, 9), True), ((9, 8), False)])
def test_hits_of_one_sample_are_alike_wherever_they_fall(samples: tuple[int, int], alike: bool) -> None:
    """One sample, triggered with lags of its own for every hit, is alike hit by hit; another sample isn't."""
    lags = np.random.default_rng(3).normal(0.0, 0.004, len(PLACES))
    one, other = (hits(k, PLACES, k * lags, sample=sample) for k, sample in enumerate(samples))
    found = onset_track([one], [other])
    assert found is not None
    assert (found.alike > 0.8) is alike
    assert (found.alike < 0.2) is not alike


def test_too_few_beginnings_are_none() -> None:
    """Under four notes there is no median worth its name."""
    few = PLACES[: MIN_ONSETS - 1]
    assert onset_track([hits(1, few, 0 * few)], [hits(2, few, 0 * few)]) is None


def test_other_notes_are_none() -> None:
    """Beginnings at other places than the first stem's are no lags of its notes."""
    rng = np.random.default_rng(4)
    others = np.sort(rng.uniform(1.0, 3.9, 6))
    assert onset_track([hits(1, PLACES, 0 * PLACES)], [hits(2, others, 0 * others)]) is None


def test_silence_has_no_beginnings() -> None:
    """Nothing rises in silence."""
    assert onset_track([np.zeros(FRAMES, np.float32)], [np.zeros(FRAMES, np.float32)]) is None
