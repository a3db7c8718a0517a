"""Decides the one constant gain of a stem, with its reasons. Pure: plain values in, a record out."""

from collections.abc import Callable
from dataclasses import dataclass
from math import floor
from typing import Final

from stager.judge.because import figure_name, reason, rendered
from stager.model import DecidedBy, Levels, Reason, ReasonCode, Target, TrimDecision

GRACE_STEPS: Final = 1e-6
"""Part of a step by which rounding down forgives floating point: 2.9999999 steps are 3."""
MAX_ROUNDS: Final = 10_000


@dataclass(frozen=True)
class GainLimits:
    """What the gain may not pass, in dB; None: nothing was found to limit it."""

    ceiling_allows_db: float | None
    boost_allows_db: float


FigureAfter = Callable[[float], float | None]
"""What the rule's figure reads in dB once this gain in dB is applied; None where nothing passes the gates."""


def decide_trim(
    levels: Levels,
    target: Target,
    figure_after: FigureAfter,
    *,
    average_after: FigureAfter | None = None,
    clip_guard_dbfs: float | None = None,
    role: str | None = None,
) -> TrimDecision:
    """Decide the trim of one stem.

    `figure_after` returns the target rule's figure after a gain, so that gates count as they will stand;
    `average_after` the average, where the rule is another; `clip_guard_dbfs` the sample peak that dither can't push
    over the top code of an integer grid.
    """
    measured, limits = figure_after(0.0), _limits(levels, target)
    guard = None if clip_guard_dbfs is None else clip_guard_dbfs - (levels.sample_peak_dbfs or 0.0)
    if target.rule == "leave":
        wanted, gain, by = None, 0.0, DecidedBy.LEAVE
    elif measured is None or levels.average_dbfs is None or levels.true_peak_dbtp is None:
        wanted, gain, by = None, 0.0, DecidedBy.SILENT
    else:
        wanted, gain, by = _gain(measured, target, figure_after, limits, guard)
    after = (average_after or figure_after)(gain)
    why = _reason(by, gain, wanted, measured, target, levels.true_peak_dbtp)
    return TrimDecision(
        gain_db=gain,
        wanted_gain_db=wanted,
        decided_by=by,
        because=rendered((why,)),
        role=role,
        target=target,
        measured_db=measured,
        ceiling_allows_db=limits.ceiling_allows_db,
        boost_allows_db=limits.boost_allows_db,
        predicted_average_dbfs=after,
        predicted_true_peak_dbtp=None if levels.true_peak_dbtp is None else levels.true_peak_dbtp + gain,
        restore_fader_db=0.0 - gain,
        reasons=(why,),
    )


def _reason(
    by: DecidedBy,
    gain: float,
    wanted: float | None,
    measured: float | None,
    target: Target,
    true_peak_dbtp: float | None,
) -> Reason:
    if by is DecidedBy.LEAVE:
        return reason(ReasonCode.LEAVE)
    if by is DecidedBy.SILENT or measured is None or wanted is None:
        return reason(ReasonCode.SILENT)
    if by is DecidedBy.TARGET:
        return _target_reason(gain, wanted, measured, target)
    if by is DecidedBy.TOLERANCE:
        off_db, level = measured - target.level_db, figure_name(target)
        return reason(ReasonCode.TOLERANCE, off_db=off_db, level=level, tolerance_db=target.tolerance_db)
    asked = {"gain_db": gain, "wanted_db": wanted}
    if by is DecidedBy.CEILING:
        limit = {"ceiling_dbtp": target.ceiling_dbtp, "true_peak_dbtp": true_peak_dbtp}
        return reason(ReasonCode.CEILING, **asked, **limit)
    return reason(ReasonCode.BOOST_LIMIT, **asked, boost_db=target.max_boost_db)


def _target_reason(gain: float, wanted: float, measured: float, target: Target) -> Reason:
    level = figure_name(target)
    if gain == 0.0:
        return reason(ReasonCode.UNDER_ONE_STEP, wanted_db=wanted, level=level)
    aim = {"level": level, "level_db": target.level_db, "step_db": target.step_db}
    return reason(ReasonCode.TARGET, gain_db=gain, wanted_db=wanted, measured_db=measured, **aim)


def _limits(levels: Levels, target: Target) -> GainLimits:
    if levels.true_peak_dbtp is None:
        return GainLimits(None, target.max_boost_db)
    return GainLimits(target.ceiling_dbtp - levels.true_peak_dbtp, target.max_boost_db)


def _gain(
    measured: float, target: Target, figure_after: FigureAfter, limits: GainLimits, guard: float | None
) -> tuple[float, float, DecidedBy]:
    """Return the wanted gain, the gain and what decided it, for a stem with a figure.

    The guard counts only where samples are written anew: it is no ceiling, but the last steps of an integer grid.
    """
    ceiling = limits.ceiling_allows_db if limits.ceiling_allows_db is not None else limits.boost_allows_db
    if abs(target.level_db - measured) <= target.tolerance_db and ceiling >= 0.0:
        return 0.0, 0.0, DecidedBy.TOLERANCE
    wanted = _wanted(measured, target, figure_after)
    asked = {
        DecidedBy.TARGET: wanted,
        DecidedBy.CEILING: ceiling if guard is None else min(ceiling, guard),
        DecidedBy.BOOST_LIMIT: limits.boost_allows_db,
    }
    steps = {by: floor(gain / target.step_db + GRACE_STEPS) for by, gain in asked.items()}
    by = min(steps, key=steps.__getitem__)
    return wanted, round(steps[by] * target.step_db, 9) + 0.0, by


def _wanted(measured: float, target: Target, figure_after: FigureAfter) -> float:
    """Solve figure_after(gain) = level.

    Raising a stem lifts quiet parts over the absolute gate, and that lowers what the figure gains. The figure minus
    the gain never rises with the gain and takes finitely many values, so the round below moves in one direction only
    and ends.
    """
    gain = target.level_db - measured
    for _ in range(MAX_ROUNDS):
        figure = figure_after(gain)
        if figure is None:
            return gain
        step = target.level_db - figure
        if abs(step) < 1e-9:
            return gain
        gain += step
    return gain
