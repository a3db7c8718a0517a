"""The trim by a rule of one's own: its gain, under the same ceiling and boost limit as every other."""

from stager.judge.because import reason, with_reasons
from stager.judge.trim import FigureAfter, decide_trim
from stager.model import DecidedBy, Finding, Levels, Reason, ReasonCode, Target, TrimDecision, Verdict


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
    named = decision.model_copy(
        update={"target": target.model_copy(update={"rule": rule}), "measured_db": None, "decided_by": by}
    )
    if by is DecidedBy.SILENT:
        return named
    asked = reason(ReasonCode.OWN_RULE, rule=rule, wanted_db=wanted_gain_db, why=why)
    return with_reasons(
        named.model_copy(update={"reasons": ()}),
        _reason(by, decision.gain_db, wanted_gain_db, target, levels.true_peak_dbtp),
        asked,
    )


def _reason(by: DecidedBy, gain_db: float, wanted_db: float, target: Target, true_peak_dbtp: float | None) -> Reason:
    if by is DecidedBy.BOOST_LIMIT:
        return reason(ReasonCode.OWN_BOOST_LIMIT, gain_db=gain_db, boost_db=target.max_boost_db)
    if by is DecidedBy.CEILING:
        limit = {"ceiling_dbtp": target.ceiling_dbtp, "true_peak_dbtp": true_peak_dbtp}
        return reason(ReasonCode.OWN_CEILING, gain_db=gain_db, wanted_db=wanted_db, **limit)
    return reason(ReasonCode.OWN_GAIN, gain_db=gain_db)


def rule_not_used(rule: str, link: str | None) -> Finding:
    """Return the finding that a plug-in's rule matches a stem but does not decide its trim: a link or `leave` does."""
    instead = f'the link "{link}" gives all its members one trim' if link else "its target says to leave it as it is"
    measured: dict[str, float | str] = {"rule": rule, **({"link": link} if link else {})}
    says = f'The rule "{rule}" does not count here: {instead}.'
    return Finding(code="rule_not_used", verdict=Verdict.USABLE, measured=measured, says=says)
