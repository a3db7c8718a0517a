"""The time between the onsets of notes and hits in two stems.

The power of each half millisecond is smoothed over 2 ms; an onset is where its square root rises. The rise around each
onset of one stem is correlated with the other stem's, and the lag of the highest correlation is that onset's lag.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.model.pairs import OnsetTrack
from stager.songset.pairs.align import NEAR_FRAMES
from stager.songset.pairs.excerpts import CORE, WORK_RATE_HZ, Signal
from stager.songset.pairs.lags import Frames, Values, correlations, peaks

BOX_FRAMES: Final = 8
RISE_RATE_HZ: Final = WORK_RATE_HZ // BOX_FRAMES
SMOOTH_BOXES: Final = 4
RISE_BOXES: Final = 8
"""A rise is counted over 4 ms (own figure: the attack of a plucked string)."""
CLEAR_RISE: Final = 0.3
"""Share of the usual strong rise from which on a rise is an onset (own figure)."""
APART_S: Final = 0.08
"""Two onsets closer than this count once, the stronger (own figure: faster than most hands)."""
BEFORE_S: Final = 0.020
AFTER_S: Final = 0.060
LIKELY_S: Final = 0.030
"""Lags beyond it count less, r being weighed by exp(-lag^2 / 2 LIKELY^2) (own figure: as loose as doubles go)."""
MAX_SPREAD_S: Final = 0.025
"""Spread from which on the onsets were not those of the same notes (own figure: chance within 60 ms gives 35 ms)."""
AGREEING: Final = 0.6
"""Share of the onsets that must be found in the other stem (own figure)."""
AGREES: Final = 0.7
"""Correlation of two rises from which on they belong to the same note (own figure)."""
ONSET_FRAMES: Final = WORK_RATE_HZ // 10
LEAD_FRAMES: Final = WORK_RATE_HZ // 250
ALIKE_R: Final = 0.98
"""Correlation of two onsets from one recorded sample: what differs is 14 dB down (own figure: played twice
they reach 0.9)."""
MIN_ONSETS: Final = 4
MAD_TO_DEVIATION: Final = 1.4826
"""Standard deviation over median distance of normal deviates (any handbook of statistics)."""


def onset_track(ones: Sequence[Signal], others: Sequence[Signal]) -> OnsetTrack | None:
    """Compare the onsets in flattened stretches; None where fewer than four are clear in both."""
    rises = [_rise(one) for one in ones]
    core = slice(CORE.start // BOX_FRAMES, CORE.stop // BOX_FRAMES)
    strong = CLEAR_RISE * float(np.percentile(np.concatenate([rise[core] for rise in rises]), 99.5))
    lags, alike = [], []
    for one, other, rise in zip(ones, others, rises, strict=True):
        starts = _onsets(rise, core, strong)
        if strong > 0.0 and len(starts):
            lag_s, agrees = _rise_lags(rise, _rise(other), starts)
            lags.append(lag_s[agrees])
            waves = correlations(one, other, starts * BOX_FRAMES - LEAD_FRAMES, ONSET_FRAMES, NEAR_FRAMES)
            alike.append(np.abs(peaks(waves)[1]) >= ALIKE_R)
    return _track(np.concatenate([np.zeros(0), *lags]), np.concatenate([np.zeros(0), *alike]))


def _track(lags_s: Values, alike: Values) -> OnsetTrack | None:
    """Return median, spread and likeness of the onsets; `lags_s` is of those found in both, `alike` of all."""
    if len(lags_s) < max(MIN_ONSETS, AGREEING * len(alike)):
        return None
    median = float(np.median(lags_s))
    spread = MAD_TO_DEVIATION * float(np.median(np.abs(lags_s - median)))
    if spread > MAX_SPREAD_S:
        return None
    return OnsetTrack(count=len(lags_s), lag_ms=1000.0 * median, spread_ms=1000.0 * spread, alike=float(np.mean(alike)))


def _rise(signal: Signal) -> Values:
    """Return the rise of the root of the smoothed power, one value each half millisecond; falls count as 0."""
    boxes = np.square(signal, dtype=np.float64).reshape(-1, BOX_FRAMES).mean(axis=1)
    level = np.sqrt(np.convolve(boxes, np.hanning(2 * SMOOTH_BOXES + 1) / SMOOTH_BOXES, "same"))
    rise = np.zeros(len(level))
    half = RISE_BOXES // 2
    rise[half:-half] = np.maximum(level[2 * half :] - level[: -2 * half], 0.0)
    return rise


def _onsets(rise: Values, core: slice, strong: float) -> Frames:
    """Return the places of clear rises, the strongest first where two are close, in order."""
    inside = np.arange(core.start, core.stop)
    top = (rise[inside] >= rise[inside - 1]) & (rise[inside] > rise[inside + 1]) & (rise[inside] >= strong)
    kept: list[int] = []
    for at in sorted(inside[top].tolist(), key=lambda place: -float(rise[place])):
        if all(abs(at - other) >= APART_S * RISE_RATE_HZ for other in kept):
            kept.append(at)
    return np.array(sorted(kept), np.int64)


def _rise_lags(one: Values, other: Values, starts: Frames) -> tuple[Values, NDArray[np.bool_]]:
    """Return the lag in s of each onset, and whether the two rises agree."""
    before, after = round(BEFORE_S * RISE_RATE_HZ), round(AFTER_S * RISE_RATE_HZ)
    reach = NEAR_FRAMES // BOX_FRAMES
    r = correlations(one.astype(np.float32), other.astype(np.float32), starts - before, before + after, reach)
    away = np.arange(-reach, reach + 1) / RISE_RATE_HZ
    lag, height = peaks(np.maximum(r, 0.0) * np.exp(-0.5 * np.square(away / LIKELY_S)))
    return lag / RISE_RATE_HZ, height >= AGREES
