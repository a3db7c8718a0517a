"""The search for drift in held notes, whose windows each match at many lags: all windows of a stretch together.

Within a stretch the r(lag) of its windows are added along sloping lines, one slope after another; the slope with the
highest sums over all stretches is the drift, and each stretch's best lag along it is one point of the line.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.songset.pairs.drift import MAX_DRIFT, Drift, fit_drift
from stager.songset.pairs.excerpts import CORE_S, WORK_RATE_HZ
from stager.songset.pairs.lags import Values
from stager.system.cancel import check_stop

POOL_FRAMES: Final = 4
"""Neighbouring lags that are pooled, a quarter of a millisecond: as near as a lag must lie to its drift."""
STEP: Final = POOL_FRAMES / WORK_RATE_HZ / CORE_S * 2.0
"""Step between slopes: over a stretch it moves a lag by half a millisecond (own figure)."""
Pooled = NDArray[np.float32]


class DriftSearch:
    """Takes in the r(lag) of one stretch after the other, and returns the likely drifts."""

    def __init__(self) -> None:
        self._maps: list[tuple[Values, Pooled]] = []

    def add(self, at_s: Values, r: Values) -> None:
        """Take in a stretch: middles of its windows in s, (windows,), and r, (windows, 2 * reach + 1)."""
        count = r.shape[1] // POOL_FRAMES
        pooled = np.square(r[:, : count * POOL_FRAMES]).reshape(len(r), count, POOL_FRAMES).max(axis=2)
        self._maps.append((at_s, pooled.astype(np.float32)))

    def drifts(self) -> list[Drift]:
        """Return the likely drifts: one fitted to the stretches' best lags, one of the common slope."""
        maps = [(at_s, pooled) for at_s, pooled in self._maps if len(at_s)]
        if not maps:
            return []
        slopes = STEP * np.arange(-round(MAX_DRIFT / STEP), round(MAX_DRIFT / STEP) + 1)
        sums = np.array([[_best(at_s, pooled, slope) for at_s, pooled in maps] for slope in slopes])
        best = int(np.argmax(sums[:, :, 0].sum(axis=1)))
        weight, lag_s = sums[best, :, 0], sums[best, :, 1]
        at_s = np.array([float(at.mean()) for at, _ in maps])
        rest = lag_s - slopes[best] * (at_s - at_s.mean())
        offset = _weighted_median(rest, weight)
        return [fit_drift(at_s, lag_s, weight), Drift(offset, float(slopes[best]), float(at_s.mean()), 0.0)]


def _best(at_s: Values, pooled: Pooled, slope: float) -> tuple[float, float]:
    """Return the highest sum along one slope, and its lag in s in the middle of the stretch."""
    check_stop()
    moves = np.rint(slope * (at_s - at_s.mean()) * WORK_RATE_HZ / POOL_FRAMES).astype(np.int64)
    edge = int(np.abs(moves).max())
    width = pooled.shape[1] - 2 * edge
    total = np.zeros(width, np.float32)
    for row, move in zip(pooled, moves, strict=True):
        total += row[edge + move : edge + move + width]
    at = int(np.argmax(total))
    lag_frames = (edge + at + 0.5) * POOL_FRAMES - pooled.shape[1] * POOL_FRAMES / 2.0
    return float(total[at]), lag_frames / WORK_RATE_HZ


def _weighted_median(values: Values, weight: Sequence[float] | Values) -> float:
    order = np.argsort(values, kind="stable")
    sums = np.cumsum(np.asarray(weight)[order])
    return float(values[order][int(np.searchsorted(sums, 0.5 * sums[-1]))])
