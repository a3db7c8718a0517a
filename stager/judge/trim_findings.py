"""Findings that follow from a trim: a copy that stays over its ceiling, or far from its target. Pure."""

from typing import Final

from stager.judge.because import moved
from stager.model import DecidedBy, Finding, Levels, TrimDecision, Verdict

FAR_DB: Final = 6.0
"""Distance from the target from which a copy is out of reach: half or twice the voltage (own figure)."""


def over_ceiling(levels: Levels, trim: TrimDecision) -> list[Finding]:
    """Return the finding of a stem that is left as it is although it passes the ceiling."""
    peak, ceiling = levels.true_peak_dbtp, trim.target.ceiling_dbtp
    if trim.decided_by is not DecidedBy.LEAVE or peak is None or peak <= ceiling:
        return []
    says = f"Left as it is with a true peak of {peak:.1f} dBTP, over the ceiling of {ceiling:g} dBTP."
    measured: dict[str, float | str] = {"true_peak_dbtp": peak, "ceiling_dbtp": ceiling}
    at_s = levels.true_peak_at_s
    return [Finding(code="over_ceiling", verdict=Verdict.USABLE, worst_at_s=at_s, measured=measured, says=says)]


def out_of_reach(trim: TrimDecision) -> list[Finding]:
    """Return the finding of a copy that a limit leaves more than `FAR_DB` under its target."""
    short_db = 0.0 if trim.wanted_gain_db is None else trim.wanted_gain_db - trim.gain_db
    if short_db <= FAR_DB:
        return []
    return [
        Finding(
            code="out_of_reach",
            verdict=Verdict.LISTEN,
            measured={"short_db": short_db, "gain_db": trim.gain_db, "limited_by": trim.decided_by.value},
            says=_reach_sentence(trim, short_db),
        )
    ]


def _reach_sentence(trim: TrimDecision, short_db: float) -> str:
    still = f"Still {short_db:.0f} dB under its target"
    if trim.decided_by is DecidedBy.BOOST_LIMIT:
        return f"{moved(trim.gain_db)}, your limit. Still {short_db:.0f} dB too quiet: bounce it louder."
    if trim.decided_by is DecidedBy.LINK:
        holder = f"{trim.limited_by_stem} allows" if trim.limited_by_stem else "its members allow"
        return f"{moved(trim.gain_db)} with its link. {still}: {holder} no more."
    ceiling = f"{moved(trim.gain_db)}, by its ceiling of {trim.target.ceiling_dbtp:g} dBTP"
    return f"{ceiling}. {still}: its peaks stand far over its average, so a peak target may suit it."
