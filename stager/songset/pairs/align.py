"""Finds the lag and drift of one stem against another, and moves the other by them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.songset.pairs.cancel import FILTER, delayed, left_power_tracked
from stager.songset.pairs.drift import Drift, fit_drift, support_of
from stager.songset.pairs.drift_search import DriftSearch
from stager.songset.pairs.excerpts import CORE, WORK_RATE_HZ, Signal
from stager.songset.pairs.lags import (
    REST_POWER,
    WINDOW_FRAMES,
    Values,
    WindowLags,
    correlations,
    peaks,
    window_powers,
    window_starts,
)
from stager.system.cancel import check_stop
from stager.units import db_from_power

Plays = NDArray[np.bool_]
"""Whether the first stem plays in each window, (stretches, windows)."""
REACH_FRAMES: Final = WORK_RATE_HZ // 2
"""Largest lag looked for, half a second: 0.1 % of drift over eight minutes."""
NEAR_FRAMES: Final = WORK_RATE_HZ * 60 // 1000
"""60 ms, within which two performances of one part lie (own figure)."""
FINE_FRAMES: Final = WORK_RATE_HZ * 4 // 1000
CLEAR_SUPPORT: Final = 0.5
"""Share of windows that agree with a drift from which on no other is tried (own figure)."""
LEAST_DRIFT: Final = 1e-4
"""Slope under which a constant lag is tried as well: noise causes as much slope (own figure)."""
SUPPORT_DB: Final = 1.5
"""What the share of agreeing windows weighs against the depth of cancellation in dB (own figure: of two microphones in
front of held notes a filter cancels nothing, and only the windows show the drift)."""
MIN_WINDOWS: Final = 3
EDGE_FRAMES: Final = 1_000
"""Frames around a core that a filter or a window needs, with some to spare."""
MOST_TRIED: Final = 4
"""Stretches by which one of several drifts is chosen (own figure: 12 s of playing)."""


@dataclass(frozen=True)
class Alignment:
    """The drift, the share of windows that agree with it, the lags within 60 ms, and the others' moved stretches."""

    drift: Drift
    support: float
    near: WindowLags
    laid: list[Signal]


@dataclass(frozen=True)
class Stretches:
    """One view of each of two stems, flattened, stretch by stretch, and where each stretch begins in s on the first."""

    starts_s: Sequence[float]
    ones: Sequence[Signal]
    others: Sequence[Signal]


@dataclass(frozen=True)
class _LagMaps:
    """The windows' lags within the wide and the near reach, the mean of r(lag) over all, and the search for drifts."""

    wide: WindowLags
    near: WindowLags
    mean: Values
    search: DriftSearch

    def support(self, drift: Drift) -> float:
        """Return the share of windows that agree with a drift, by weight, within whichever reach has more of them."""
        return max(support_of(drift, each.at_s, each.lag_s, each.r**2) for each in (self.wide, self.near))


def align(flat: Stretches, playing: Plays) -> Alignment | None:
    """Find the lag of each window and the drift through them, and move the others by it; None with too few windows.

    `playing` is (stretches, windows), whether the first stem plays there.
    """
    if playing.sum() < MIN_WINDOWS:
        return None
    lags = _window_lags(flat, playing)
    drift = fit_drift(lags.wide.at_s, lags.wide.lag_s, lags.wide.r**2)
    is_far = abs(drift.offset_s) * WORK_RATE_HZ > NEAR_FRAMES
    if drift.support < CLEAR_SUPPORT or is_far or 0.0 < abs(drift.slope) < LEAST_DRIFT:
        drift = _best_drift(flat, playing, lags, drift)
    for _ in range(2 if drift.slope else 1):
        drift = _finer(flat, drift, _laid(flat, drift, EDGE_FRAMES), playing)
    return Alignment(drift, lags.support(drift), lags.near, _laid(flat, drift))


def _best_drift(flat: Stretches, playing: Plays, lags: _LagMaps, first: Drift) -> Drift:
    """Try other drifts on some of the stretches; the best is where most cancels and most windows agree."""
    picked = np.unique(np.linspace(0, len(flat.ones) - 1, MOST_TRIED).round().astype(int)).tolist()
    some = Stretches(*([each[k] for k in picked] for each in (flat.starts_s, flat.ones, flat.others)))
    plays = playing[picked]
    drifts = [first, fit_drift(lags.near.at_s, lags.near.lag_s, lags.near.r**2), _constant_lag(lags.mean)]
    if plays.sum() >= MIN_WINDOWS:
        drifts += [_finer(some, drift, _laid(some, drift, EDGE_FRAMES), plays) for drift in lags.search.drifts()]
    left = [left_power_tracked(some.ones, _laid(some, drift, EDGE_FRAMES), FILTER) for drift in drifts]
    depths_db = [-(db_from_power(power) or 0.0) for power in left]
    scores = [depth_db + SUPPORT_DB * lags.support(drift) for drift, depth_db in zip(drifts, depths_db, strict=True)]
    return drifts[int(np.argmax(scores))]


def playing_windows(raws: Sequence[Signal]) -> Plays:
    """Return where a stem plays, (stretches, windows): within 40 dB of its loudest window."""
    powers = window_powers(raws, window_starts(), WINDOW_FRAMES)
    return np.asarray((powers > REST_POWER * powers.max(initial=0.0)) & (powers > 0.0), np.bool_)


def _window_lags(flat: Stretches, playing: Plays) -> _LagMaps:
    middles, wide, near, search = [], [], [], DriftSearch()
    mean = np.zeros(2 * REACH_FRAMES + 1)
    for start_s, one, other, plays in zip(flat.starts_s, flat.ones, flat.others, playing, strict=True):
        check_stop()
        starts = window_starts()[plays]
        r = correlations(one, other, starts, WINDOW_FRAMES, REACH_FRAMES)
        mean += r.sum(axis=0)
        middles.append(start_s + (starts + WINDOW_FRAMES / 2) / WORK_RATE_HZ)
        wide.append(peaks(r))
        near.append(peaks(r[:, REACH_FRAMES - NEAR_FRAMES : REACH_FRAMES + NEAR_FRAMES + 1]))
        search.add(middles[-1], r)
    at_s = np.concatenate(middles)
    return _LagMaps(_joined(at_s, wide), _joined(at_s, near), mean, search)


def _joined(at_s: Values, parts: Sequence[tuple[Values, Values]]) -> WindowLags:
    lag, r = (np.concatenate([part[which] for part in parts]) for which in (0, 1))
    return WindowLags(at_s, lag / WORK_RATE_HZ, r)


def _constant_lag(mean: Values) -> Drift:
    """Return the lag of the highest mean correlation over all windows, without a slope."""
    lag, _ = peaks(mean[None, :])
    return Drift(float(lag[0]) / WORK_RATE_HZ, 0.0, 0.0, 0.0)


def _laid(flat: Stretches, drift: Drift, edge: int = CORE.start) -> list[Signal]:
    """Move the others by a drift: their cores and `edge` frames on both sides of them; beyond that there is silence."""
    first, last = CORE.start - edge, CORE.stop + edge
    seconds = np.arange(first, last) / WORK_RATE_HZ
    laid = []
    for start_s, other in zip(flat.starts_s, flat.others, strict=True):
        check_stop()
        made = np.zeros(len(other), np.float32)
        made[first:last] = delayed(other, drift.at(start_s + seconds) * WORK_RATE_HZ, first)
        laid.append(made)
    return laid


def _finer(flat: Stretches, drift: Drift, laid: Sequence[Signal], playing: Plays) -> Drift:
    """Correct a drift by the lags that remain once the others are moved by it: no window is smeared by drift then."""
    middles, parts = [], []
    for start_s, one, other, plays in zip(flat.starts_s, flat.ones, laid, playing, strict=True):
        check_stop()
        starts = window_starts()[plays]
        middles.append(start_s + (starts + WINDOW_FRAMES / 2) / WORK_RATE_HZ)
        parts.append(peaks(correlations(one, other, starts, WINDOW_FRAMES, FINE_FRAMES)))
    rest = _joined(np.concatenate(middles), parts)
    more = fit_drift(rest.at_s, rest.lag_s, rest.r**2)
    slope = drift.slope + (more.slope if drift.slope else 0.0)
    middle = more.middle_s
    offset = float(drift.at(np.array([middle]))[0]) + more.offset_s
    return Drift(offset, slope, middle, more.support)
