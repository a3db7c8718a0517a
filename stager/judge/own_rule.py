"""The trim by a rule of one's own: its gain, under the same ceiling and boost limit as every other."""

from stager.judge.because import moved
from stager.judge.trim import FigureAfter, decide_trim
from stager.model import DecidedBy, Finding, Levels, Target, TrimDecision, Verdict


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

    `rule` is the plug-in's name, which the decision's target has, `why` its sentence; the rest is as for `decide_trim`.
    """
    decision = decide_trim(
        levels,
        target.model_copy(update={"rule": "average", "tolerance_db": 0.0}),
        lambda gain_db: target.level_db - wanted_gain_db + gain_db,
        average_after=average_after,
        clip_guard_dbfs=clip_guard_dbfs,
        role=role,
    )
    by = DecidedBy.TARGET if decision.decided_by is DecidedBy.TOLERANCE else decision.decided_by
    named = target.model_copy(update={"rule": rule})
    changes: dict[str, object] = {"target": named, "measured_db": None, "decided_by": by}
    if by is not DecidedBy.SILENT:
        asked = f'The rule "{rule}" wants {wanted_gain_db:+.1f} dB: {why}'
        changes["because"] = f"{moved(decision.gain_db)}{_stop(by, target, wanted_gain_db)}. {asked}"
    return decision.model_copy(update=changes)


def _stop(by: DecidedBy, target: Target, wanted_gain_db: float) -> str:
    if by is DecidedBy.BOOST_LIMIT:
        return f"; the largest boost of {target.max_boost_db:g} dB stopped it"
    if by is DecidedBy.CEILING:
        return (
            f"; the ceiling of {target.ceiling_dbtp:g} dBTP {'stopped it' if wanted_gain_db > 0.0 else 'asks for more'}"
        )
    return ""


def rule_not_used(rule: str, link: str | None) -> Finding:
    """Say that a plug-in's rule means a stem and yet does not decide its trim: a link does, or it is left as it is."""
    instead = f'the link "{link}" gives all its members one trim' if link else "its target says to leave it as it is"
    measured: dict[str, float | str] = {"rule": rule, **({"link": link} if link else {})}
    says = f'The rule "{rule}" does not count here: {instead}.'
    return Finding(code="rule_not_used", verdict=Verdict.USABLE, measured=measured, says=says)
