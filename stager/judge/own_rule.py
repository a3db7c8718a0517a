"""The trim by a rule of one's own: its gain, under the same ceiling and boost limit as every other."""

from stager.judge.trim import FigureAfter, decide_trim
from stager.model import DecidedBy, Levels, Target, TrimDecision


def decide_by_rule(
    levels: Levels,
    target: Target,
    rule: str,
    wanted_gain_db: float,
    why: str,
    *,
    average_after: FigureAfter,
    clip_guard_dbfs: float | None = None,
    role: str | None = None,
) -> TrimDecision:
    """Decide the trim of a stem whose gain a plug-in's rule has asked for; there is no tolerance, and no figure.

    `rule` is the plug-in's name, `why` its sentence; the rest is as for `decide_trim`.
    """
    asked = target.model_copy(update={"rule": "average", "tolerance_db": 0.0})
    decision = decide_trim(
        levels,
        asked,
        lambda gain_db: target.level_db - wanted_gain_db + gain_db,
        average_after=average_after,
        clip_guard_dbfs=clip_guard_dbfs,
        role=role,
    )
    says = (
        "" if decision.decided_by is DecidedBy.SILENT else f' The rule "{rule}" wants {wanted_gain_db:+.1f} dB: {why}'
    )
    return decision.model_copy(update={"target": target, "measured_db": None, "because": f"{decision.because}{says}"})
