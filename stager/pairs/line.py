"""A straight line through lags of which many may be wrong: the one with the most weight near it."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from stager.pairs.lags import Values

MAX_DRIFT: Final = 0.005
"""Steepest line looked for, 0.5 % (own figure: clocks differ by millionths, and a copy resampled by 0.1 % is far)."""
NEAR_S: Final = 0.00025
"""How far from the line a lag may lie (own figure: half of the tightest double, 0.5 ms)."""
HEAVIEST: Final = 60
"""How many windows pair up for sloping lines, the heaviest (own figure: 1,770 pairs, tried within milliseconds)."""
LEVEL_BONUS: Final = 1.05
"""What a sloping line must hold more than a level one to be believed (own figure)."""
LEAST_APART_S: Final = 0.3


@dataclass(frozen=True)
class Line:
    """lag = offset_s + slope * (t - middle_s); `support` is the share of weight within `NEAR_S` of it, 0 to 1."""

    offset_s: float
    slope: float
    middle_s: float
    support: float

    def at(self, time_s: Values) -> Values:
        """Give the lag in s at these times in s."""
        return self.offset_s + self.slope * (time_s - self.middle_s)


def fit_line(at_s: Values, lag_s: Values, weight: Values) -> Line:
    """Find the line with the most weight near it, and fit it by least squares to what lies near; all are (windows,).

    Tried are level lines through each lag and sloping ones through pairs of the heaviest windows.
    """
    middle = float(np.mean(at_s))
    time = at_s - middle
    offsets, slopes = _tries(time, lag_s, weight)
    near = np.abs(lag_s - offsets[:, None] - slopes[:, None] * time) <= NEAR_S
    votes = (near @ weight) * np.where(slopes == 0.0, LEVEL_BONUS, 1.0)
    best = int(np.argmax(votes))
    offset, slope = _refined(time, lag_s, weight, float(offsets[best]), float(slopes[best]))
    return Line(offset, slope, middle, _support(lag_s - offset - slope * time, weight))


def support_of(line: Line, at_s: Values, lag_s: Values, weight: Values) -> float:
    """Give the share of weight within `NEAR_S` of a line."""
    return _support(lag_s - line.at(at_s), weight)


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
