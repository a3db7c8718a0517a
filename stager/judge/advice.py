"""How far to turn the input before the next take: one signed whole number, and a sentence that says why. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Final

from stager.judge.places import clock
from stager.model import Advice, Finding, Levels, Verdict
from stager.model.condition import LoudestEvent
from stager.model.condition_limits import ConditionLimits
from stager.units import SINE_CREST_DB

CLIPPING: Final = frozenset({"clipped", "clipped_upstream"})
PERHAPS_EVENTS: Final = 3
"""Tops at full scale from which a take that may be clipped is turned down as if it were (own figure)."""
LEAST_LOUDER_DB: Final = 6.0
"""People play 6 to 10 dB louder when it counts (common practice, no source)."""


@dataclass(frozen=True)
class Aim:
    """What a good take looks like: sample peak, average in dBFS RMS of a sine, and how far off is still right."""

    peak_dbfs: float = -12.0
    average_dbfs: float = -18.0
    tolerance_db: float = 3.0


@dataclass(frozen=True)
class Changes:
    """What peak and average each ask for, in dB; the smaller one counts, since both can't hold at a high crest."""

    peak_dbfs: float
    average_dbfs: float
    by_peak_db: float
    by_average_db: float

    @property
    def smaller_db(self) -> float:
        """The change that keeps both at or under their aims."""
        return min(self.by_peak_db, self.by_average_db)

    @property
    def whole_db(self) -> int:
        """The same in whole dB: the nearest, and of two equally near the lower."""
        return ceil(self.smaller_db - 0.5)


def advise(
    levels: Levels,
    aim: Aim,
    *,
    event: LoudestEvent | None = None,
    findings: Sequence[Finding] = (),
    duration_s: float | None = None,
    limits: ConditionLimits | None = None,
) -> Advice | None:
    """Say how far to turn the input before the next take, or None for a take in which nothing plays.

    `event` is the take's loudest one: where it stands out, it is left out, so that a bump does not set the gain.
    `findings` are the take's own: a clipped one is always turned down, by so many dB at least. `duration_s` is its
    length, since a short one may be a level check.
    """
    limits = limits or ConditionLimits()
    whole = changes(levels.sample_peak_dbfs, _average(levels), aim)
    if whole is None:
        return None
    bump = event if event and stands_out(event, limits) else None
    rest = changes(bump.rest_peak_dbfs, bump.rest_average_dbfs, aim) if bump else None
    counted = rest or whole
    if is_clipped(findings) or is_perhaps_clipped(findings):
        return _for_clipped(counted, findings, bump if rest else None, limits)
    change = 0 if abs(counted.smaller_db) <= aim.tolerance_db else counted.whole_db
    said = [_moved(counted, change, aim)]
    if bump and rest:
        said.append(_without(bump, whole, aim))
    if duration_s is not None and duration_s < limits.level_check_s:
        said.append(_room(-(counted.peak_dbfs + change), limits))
    return Advice(input_change_db=change, says=" ".join(said))


def no_advice_sentence(levels: Levels) -> str | None:
    """Say why there is no advice for a take in which nothing plays; None where there is some."""
    if levels.sample_peak_dbfs is not None and levels.average_dbfs is not None:
        return None
    return "Nothing is heard to set a level by: is the right input armed, and the microphone on?"


def changes(peak_dbfs: float | None, average_dbfs: float | None, aim: Aim) -> Changes | None:
    """Give what these levels ask for, the average in dBFS RMS of a sine; None where nothing plays."""
    if peak_dbfs is None or average_dbfs is None:
        return None
    return Changes(peak_dbfs, average_dbfs, aim.peak_dbfs - peak_dbfs, aim.average_dbfs - average_dbfs)


def stands_out(event: LoudestEvent, limits: ConditionLimits) -> bool:
    """Say whether the loudest event stands so far over all the rest that it is no part of the playing."""
    rest = event.rest_peak_dbfs
    return (
        rest is not None
        and event.rest_average_dbfs is not None
        and event.peak_dbfs - rest >= limits.event_stands_out_db
    )


def is_clipped(findings: Sequence[Finding]) -> bool:
    """Say whether anything is clipped beyond repair."""
    return any(finding.code in CLIPPING and finding.verdict is Verdict.PLAY_AGAIN for finding in findings)


def is_perhaps_clipped(findings: Sequence[Finding]) -> bool:
    """Say whether peaks end at full scale again and again, though nobody can tell whether it was a limiter."""
    return any(
        finding.code == "clipped" and finding.verdict is Verdict.LISTEN and finding.count >= PERHAPS_EVENTS
        for finding in findings
    )


def _for_clipped(
    counted: Changes, findings: Sequence[Finding], bump: LoudestEvent | None, limits: ConditionLimits
) -> Advice:
    """Nobody knows how far a clipped take went over, so the change is a least one.

    It is one too where a bump alone is clipped: it may have been a stroke, and what is clipped can't be repaired.
    """
    change = min(counted.whole_db, -limits.clipped_least_db)
    kind = "Clipped" if is_clipped(findings) else "Perhaps clipped"
    says = f"{kind}: turn the input at least {-change} dB down, then check again."
    if bump and _lies_in(findings, bump):
        over = bump.peak_dbfs - (bump.rest_peak_dbfs or 0.0)
        says += (
            f" Only its loudest moment, at {clock(bump.at_s)}, is clipped, {over:.0f} dB over all the rest: if that was"
            f" a bump, the rest alone asks for {counted.whole_db:+d} dB."
        )
    return Advice(input_change_db=change, says=says)


def _lies_in(findings: Sequence[Finding], bump: LoudestEvent) -> bool:
    """Whether every place that is clipped lies in the loudest event; where not all are listed, nobody knows."""
    told = [finding for finding in findings if finding.code in CLIPPING and finding.verdict is not Verdict.USABLE]
    listed = all(finding.at_s and finding.count <= len(finding.at_s) for finding in told)
    return listed and all(bump.start_s <= at_s < bump.stop_s for finding in told for at_s in finding.at_s)


def _moved(counted: Changes, change: int, aim: Aim) -> str:
    if change == 0:
        level = f"peaks at {counted.peak_dbfs:.1f} dBFS, average {counted.average_dbfs:.1f} dBFS"
        return f"The level is right ({level}): leave the input as it is."
    way = f"Turn the input {abs(change)} dB {'up' if change > 0 else 'down'}"
    if counted.by_peak_db <= counted.by_average_db:
        return f"{way}: its peaks, at {counted.peak_dbfs:.1f} dBFS, then come to {aim.peak_dbfs:g}."
    return f"{way}: its average, at {counted.average_dbfs:.1f} dBFS, then comes to {aim.average_dbfs:g}."


def _without(bump: LoudestEvent, whole: Changes, aim: Aim) -> str:
    over = bump.peak_dbfs - (bump.rest_peak_dbfs or 0.0)
    with_it = 0 if abs(whole.smaller_db) <= aim.tolerance_db else whole.whole_db
    else_it = "no change" if with_it == 0 else f"{with_it:+d} dB"
    return (
        f"The loudest moment, at {clock(bump.at_s)}, stands {over:.0f} dB over all the rest and is not counted; "
        f"with it the advice would be {else_it}."
    )


def _room(room_db: float, limits: ConditionLimits) -> str:
    """What a level check leaves for the real performance."""
    louder = f"{LEAST_LOUDER_DB:g} to {limits.performance_louder_db:g} dB louder"
    says = f"If this was a level check: it leaves {room_db:.0f} dB up to full scale, and people play {louder} later"
    left = room_db - limits.performance_louder_db
    if left >= 0.0:
        return f"{says}, which fits."
    return f"{says}: {ceil(-left)} dB further down would be safer."


def _average(levels: Levels) -> float | None:
    """The average in dBFS RMS of a sine, whatever the record's reference is."""
    if levels.average_dbfs is None or levels.average_reference == "sine":
        return levels.average_dbfs
    return levels.average_dbfs + SINE_CREST_DB
