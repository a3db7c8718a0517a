"""How far a run brought its stems: what a limit left of the way to a target, and one sentence that counts. Pure."""

from collections import Counter
from collections.abc import Iterable
from typing import Final

from stager.model import DecidedBy, Outcome, Staged, TrimDecision

AT_TARGET: Final = "at their target"
REFUSED: Final = "refused"
LIMITS: Final = {
    DecidedBy.CEILING: "stopped by the ceiling",
    DecidedBy.BOOST_LIMIT: "stopped by the largest boost",
    DecidedBy.LINK: "held back by their link",
    DecidedBy.LEAVE: "left as they are",
    DecidedBy.SILENT: "silent",
}
ORDER: Final = (AT_TARGET, *LIMITS.values(), REFUSED)


def left_db(trim: TrimDecision) -> float:
    """Return what a limit left between the gain that a rule asked for and the gain that was given, 0 or above.

    An offset that the mix bus asked of all trims is no limit of one stem.
    """
    if trim.wanted_gain_db is None:
        return 0.0
    return max(0.0, trim.wanted_gain_db + trim.bus_offset_db - trim.gain_db)


def closing_sentence(outcomes: Iterable[Outcome]) -> str:
    """Return how many stems reached their target, and what stopped the others; empty without any."""
    counts = Counter(map(_where, outcomes))
    return f"{', '.join(f'{counts[where]} {where}' for where in ORDER if counts[where])}." if counts else ""


def _where(outcome: Outcome) -> str:
    """Return where a stem ended; what is left under one step is rounding, no limit."""
    if not isinstance(outcome, Staged):
        return REFUSED
    trim = outcome.sidecar.trim
    if trim.decided_by in (DecidedBy.LEAVE, DecidedBy.SILENT):
        return LIMITS[trim.decided_by]
    return LIMITS.get(trim.decided_by, AT_TARGET) if left_db(trim) >= trim.target.step_db else AT_TARGET
