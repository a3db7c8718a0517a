"""The drift of lags of which many may be wrong: the straight line with the most weight near it."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from stager.songset.pairs.lags import Values

MAX_DRIFT: Final = 0.005
"""Steepest drift looked for, 0.5 % (own figure: clocks differ by millionths, and a copy resampled by 0.1 % is far)."""
NEAR_S: Final = 0.00025
"""How far from the drift a lag may lie (own figure: half of the tightest double, 0.5 ms)."""
HEAVIEST: Final = 60
"""How many windows, the heaviest, are paired for sloping lines (own figure: 1,770 pairs, tried within milliseconds)."""
CONSTANT_BONUS: Final = 1.05
"""What a sloping line must hold more than a constant lag to be chosen (own figure)."""
LEAST_APART_S: Final = 0.3


@dataclass(frozen=True)
class Drift:
    """lag = offset_s + slope * (t - middle_s); `support` is the share of weight within `NEAR_S` of it, 0 to 1."""

    offset_s: float
    slope: float
    middle_s: float
    support: float

    def at(self, time_s: Values) -> Values:
        """Return the lag in s at these times in s."""
        return self.offset_s + self.slope * (time_s - self.middle_s)


def fit_drift(at_s: Values, lag_s: Values, weight: Values) -> Drift:
    """Find the drift with the most weight near it, and fit it by least squares to what lies near; all are (windows,).

    Tried are constant lags, one for each window, and sloping lines through pairs of the heaviest windows.
    """
    middle = float(np.mean(at_s))
    time = at_s - middle
    offsets, slopes = _tries(time, lag_s, weight)
    near = np.abs(lag_s - offsets[:, None] - slopes[:, None] * time) <= NEAR_S
    votes = (near @ weight) * np.where(slopes == 0.0, CONSTANT_BONUS, 1.0)
    best = int(np.argmax(votes))
    offset, slope = _refined(time, lag_s, weight, float(offsets[best]), float(slopes[best]))
    return Drift(offset, slope, middle, _support(lag_s - offset - slope * time, weight))


def support_of(drift: Drift, at_s: Values, lag_s: Values, weight: Values) -> float:
    """Return the share of weight within `NEAR_S` of a drift."""
    return _support(lag_s - drift.at(at_s), weight)


def _tries(time: Values, lag: Values, weight: Values) -> tuple[Values, Values]:
    heavy = np.argsort(-weight, kind="stable")[:HEAVIEST]
    first, second = np.triu_indices(len(heavy), 1)
    first, second = heavy[first], heavy[second]
    apart = time[second] - time[first]
    slope = (lag[second] - lag[first]) / np.where(apart == 0.0, np.inf, apart)
    far = (np.abs(slope) <= MAX_DRIFT) & (np.abs(apart) >= LEAST_APART_S)
    offset = (lag[first] - slope * time[first])[far]
    return np.concatenate([lag, offset]), np.concatenate([np.zeros(len(lag)), slope[far]])


def _support(rest: Values, weight: Values) -> float:
    total = float(weight.sum())
    return float(weight[np.abs(rest) <= NEAR_S].sum()) / total if total > 0.0 else 0.0


def _refined(time: Values, lag: Values, weight: Values, offset: float, slope: float) -> tuple[float, float]:
    for _ in range(3):
        near = np.abs(lag - offset - slope * time) <= NEAR_S
        if weight[near].sum() <= 0.0:
            break
        middle, height = (float(np.average(values[near], weights=weight[near])) for values in (time, lag))
        away = time[near] - middle
        spread = float(np.sum(weight[near] * away**2))
        if slope and spread:
            slope = float(np.sum(weight[near] * away * (lag[near] - height))) / spread
        offset = height - slope * middle
    return offset, slope
