"""Finds the line along which one stem follows another, and lays the other on it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.pairs.cancel import FILTER, delayed, left_power_tracked
from stager.pairs.excerpts import CORE, WORK_RATE_HZ, Signal
from stager.pairs.lags import (
    REST_POWER,
    WINDOW_FRAMES,
    Values,
    WindowLags,
    correlations,
    peaks,
    window_powers,
    window_starts,
)
from stager.pairs.line import Line, fit_line, support_of
from stager.pairs.slanted import SlantedSums
from stager.stopping import check_stop
from stager.units import db_from_power

Plays = NDArray[np.bool_]
"""Whether the first stem plays in each window, (stretches, windows)."""
REACH_FRAMES: Final = WORK_RATE_HZ // 2
"""Largest lag looked for, half a second: 0.1 % of drift over eight minutes."""
NEAR_FRAMES: Final = WORK_RATE_HZ * 60 // 1000
"""60 ms, within which two performances of one part lie (own figure)."""
FINE_FRAMES: Final = WORK_RATE_HZ * 4 // 1000
CLEAR_SUPPORT: Final = 0.5
"""Share of windows on a line from which on no other line is tried (own figure)."""
LEAST_DRIFT: Final = 1e-4
"""Drift under which a level line is tried as well: noise tilts a line as much (own figure)."""
SUPPORT_DB: Final = 1.5
"""What all windows on a line count against the depth in dB along it (own figure: of two microphones before held notes
a filter cancels nothing, and only the windows tell the line)."""
MIN_WINDOWS: Final = 3
EDGE_FRAMES: Final = 1_000
"""Frames around a core that a filter or a window needs, with some to spare."""
MOST_TRIED: Final = 4
"""Stretches by which one of several lines is chosen (own figure: 12 s of playing)."""


@dataclass(frozen=True)
class Alignment:
    """The line, what the windows within reach and within 60 ms told, and the others' flattened stretches laid on it."""

    line: Line
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
class _Told:
    """The windows' lags within the wide and the near reach, the mean of r(lag) over all, and its slanted sums."""

    wide: WindowLags
    near: WindowLags
    mean: Values
    slanted: SlantedSums

    def support(self, line: Line) -> float:
        """Give the share of windows on a line, by weight, within whichever reach has more of them there."""
        return max(support_of(line, each.at_s, each.lag_s, each.r**2) for each in (self.wide, self.near))


def align(flat: Stretches, playing: Plays) -> Alignment | None:
    """Find the lag of each window, a line through them, and lay the others on it; None with too few windows.

    `playing` is (stretches, windows), whether the first stem plays there.
    """
    if playing.sum() < MIN_WINDOWS:
        return None
    told = _window_lags(flat, playing)
    line = fit_line(told.wide.at_s, told.wide.lag_s, told.wide.r**2)
    is_far = abs(line.offset_s) * WORK_RATE_HZ > NEAR_FRAMES
    if line.support < CLEAR_SUPPORT or is_far or 0.0 < abs(line.slope) < LEAST_DRIFT:
        line = _best_line(flat, playing, told, line)
    for _ in range(2 if line.slope else 1):
        line = _finer(flat, line, _laid(flat, line, EDGE_FRAMES), playing)
    return Alignment(line, told.support(line), told.near, _laid(flat, line))


def _best_line(flat: Stretches, playing: Plays, told: _Told, first: Line) -> Line:
    """Try other lines too, on some of the stretches; the best is where most cancels and most windows lie."""
    picked = np.unique(np.linspace(0, len(flat.ones) - 1, MOST_TRIED).round().astype(int)).tolist()
    some = Stretches(*([each[k] for k in picked] for each in (flat.starts_s, flat.ones, flat.others)))
    plays = playing[picked]
    lines = [first, fit_line(told.near.at_s, told.near.lag_s, told.near.r**2), _level_line(told.mean)]
    if plays.sum() >= MIN_WINDOWS:
        lines += [_finer(some, line, _laid(some, line, EDGE_FRAMES), plays) for line in told.slanted.lines()]
    left = [left_power_tracked(some.ones, _laid(some, line, EDGE_FRAMES), FILTER) for line in lines]
    depths_db = [-(db_from_power(power) or 0.0) for power in left]
    scores = [depth_db + SUPPORT_DB * told.support(line) for line, depth_db in zip(lines, depths_db, strict=True)]
    return lines[int(np.argmax(scores))]


def playing_windows(raws: Sequence[Signal]) -> Plays:
    """Say, (stretches, windows), where a stem plays: within 40 dB of its loudest window."""
    powers = window_powers(raws, window_starts(), WINDOW_FRAMES)
    return np.asarray((powers > REST_POWER * powers.max(initial=0.0)) & (powers > 0.0), np.bool_)


def _window_lags(flat: Stretches, playing: Plays) -> _Told:
    middles, wide, near, slanted = [], [], [], SlantedSums()
    mean = np.zeros(2 * REACH_FRAMES + 1)
    for start_s, one, other, plays in zip(flat.starts_s, flat.ones, flat.others, playing, strict=True):
        check_stop()
        starts = window_starts()[plays]
        r = correlations(one, other, starts, WINDOW_FRAMES, REACH_FRAMES)
        mean += r.sum(axis=0)
        middles.append(start_s + (starts + WINDOW_FRAMES / 2) / WORK_RATE_HZ)
        wide.append(peaks(r))
        near.append(peaks(r[:, REACH_FRAMES - NEAR_FRAMES : REACH_FRAMES + NEAR_FRAMES + 1]))
        slanted.add(middles[-1], r)
    at_s = np.concatenate(middles)
    return _Told(_joined(at_s, wide), _joined(at_s, near), mean, slanted)


def _joined(at_s: Values, parts: Sequence[tuple[Values, Values]]) -> WindowLags:
    lag, r = (np.concatenate([part[which] for part in parts]) for which in (0, 1))
    return WindowLags(at_s, lag / WORK_RATE_HZ, r)


def _level_line(mean: Values) -> Line:
    """Give the one lag that all windows together speak for."""
    lag, _ = peaks(mean[None, :])
    return Line(float(lag[0]) / WORK_RATE_HZ, 0.0, 0.0, 0.0)


def _laid(flat: Stretches, line: Line, edge: int = CORE.start) -> list[Signal]:
    """Lay the others on a line: their cores and so many frames on both sides of them; beyond that there is silence."""
    first, last = CORE.start - edge, CORE.stop + edge
    seconds = np.arange(first, last) / WORK_RATE_HZ
    laid = []
    for start_s, other in zip(flat.starts_s, flat.others, strict=True):
        check_stop()
        made = np.zeros(len(other), np.float32)
        made[first:last] = delayed(other, line.at(start_s + seconds) * WORK_RATE_HZ, first)
        laid.append(made)
    return laid


def _finer(flat: Stretches, line: Line, laid: Sequence[Signal], playing: Plays) -> Line:
    """Correct a line by what the windows say once they lie on it: their drift inside a window is gone then."""
    middles, parts = [], []
    for start_s, one, other, plays in zip(flat.starts_s, flat.ones, laid, playing, strict=True):
        check_stop()
        starts = window_starts()[plays]
        middles.append(start_s + (starts + WINDOW_FRAMES / 2) / WORK_RATE_HZ)
        parts.append(peaks(correlations(one, other, starts, WINDOW_FRAMES, FINE_FRAMES)))
    rest = _joined(np.concatenate(middles), parts)
    more = fit_line(rest.at_s, rest.lag_s, rest.r**2)
    slope = line.slope + (more.slope if line.slope else 0.0)
    middle = more.middle_s
    offset = float(line.at(np.array([middle]))[0]) + more.offset_s
    return Line(offset, slope, middle, more.support)
