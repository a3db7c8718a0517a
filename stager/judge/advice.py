"""Input advice: how far to turn the input before the next take, in whole dB, and a sentence that says why. Pure.

The person who follows it may have headphones on, so no advice can hurt: none raises the highest peak of the whole take
over `SAFE_PEAK_DBFS`, none asks for more than `MOST_RAISE_DB` at once, and each raise begins with `CAUTION`. Where one
moment stands far over the rest, it decides, since one stroke is what people play to check a level. Only where the rest
may be playing too, and so the moment may be a bump, a second number says what the rest alone would ask for.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Final

from stager.judge.sentences import capitalised, clock
from stager.model import Advice, Finding, Levels, Verdict
from stager.model.condition import LoudestEvent
from stager.model.limits import TakeLimits
from stager.model.takes import LearnedLift
from stager.units import SINE_CREST_DB

CLIPPING: Final = frozenset({"clipped", "clipped_upstream"})
PERHAPS_CLIPPED_EVENTS: Final = 3
"""Tops at full scale from which a take that may be clipped is turned down as if it were (own figure)."""
LEAST_LOUDER_DB: Final = 6.0
"""People play 6 to 10 dB louder when it counts (common practice, no source)."""
SAFE_PEAK_DBFS: Final = -6.0
"""The highest peak of the whole take that a raise may lead to: half of full scale is left for a louder stroke."""
HIGHEST_PEAK_DBFS: Final = -3.0
"""A take with a higher peak is turned down, whatever its aim."""
AT_FULL_SCALE_DBFS: Final = -0.1
AT_FULL_SCALE_DB: Final = -6
"""A peak so near full scale may have gone a little over, and is turned down by this (own figures)."""
MOST_RAISE_DB: Final = 12
"""The largest raise at once: four times the voltage is enough of a surprise in headphones (own figure)."""
NEAR_NOISE_DB: Final = 10.0
"""A rest whose average lies so near the noise floor is noise, and no playing (own figure)."""
FLAT_SHARES: Final = ((0.01, 24), (0.001, 18), (0.0, 15))
"""Share of a take that is flat at full scale, and by how much it is turned down at least: the longer the flat tops, the
further it went over (empirical: the proof "advice", takes up to 12 dB over full scale)."""
CAUTION: Final = "Turn your headphones down before you turn the input up."


@dataclass(frozen=True)
class Aim:
    """A good take: its sample peak, its average in dBFS RMS of a sine, and how far off is still right."""

    peak_dbfs: float = -12.0
    average_dbfs: float = -18.0
    tolerance_db: float = 3.0


@dataclass(frozen=True)
class Changes:
    """The changes in dB that peak and average each ask for; the smaller counts, since both can't hold at a high crest.

    `highest_dbfs` is the highest peak of the whole take, which limits every raise.
    """

    peak_dbfs: float
    average_dbfs: float
    by_peak_db: float
    by_average_db: float
    highest_dbfs: float

    @property
    def smaller_db(self) -> float:
        """The change that keeps both at or under their aims."""
        return min(self.by_peak_db, self.by_average_db)

    @property
    def whole_db(self) -> int:
        """The same in whole dB: the nearest, and of two equally near the lower; no limit is applied."""
        return ceil(self.smaller_db - 0.5)

    @property
    def most_db(self) -> int:
        """The largest change that can't hurt, in whole dB; below 0 where the highest peak is too high as it is."""
        if self.highest_dbfs > AT_FULL_SCALE_DBFS:
            return min(AT_FULL_SCALE_DB, floor(HIGHEST_PEAK_DBFS - self.highest_dbfs))
        if self.highest_dbfs > HIGHEST_PEAK_DBFS:
            return floor(HIGHEST_PEAK_DBFS - self.highest_dbfs)
        return max(0, min(MOST_RAISE_DB, floor(SAFE_PEAK_DBFS - self.highest_dbfs)))

    def advised_db(self, tolerance_db: float) -> int:
        """Return the change to advise: none inside the tolerance, and never one that can hurt."""
        return min(0 if abs(self.smaller_db) <= tolerance_db else self.whole_db, self.most_db)


def advise(
    levels: Levels,
    aim: Aim,
    *,
    event: LoudestEvent | None = None,
    findings: Sequence[Finding] = (),
    duration_s: float | None = None,
    limits: TakeLimits | None = None,
    lift: LearnedLift | None = None,
    is_check: bool = False,
) -> Advice | None:
    """Return how far to turn the input before the next take; None for a take in which nothing plays.

    `event` is the take's loudest one with its decay, `findings` are the take's own: a clipped take is always turned
    down. `duration_s` is its length, since a short one may be a level check; with `is_check` it is known to be one.
    `lift` is by how much this player plays louder than in a level check: the aim is lowered by it. Pass it for level
    checks only. The result has a second number where the loudest moment may be a bump.
    """
    limits = limits or TakeLimits()
    expected_db = lift.median_db if lift else 0.0
    aim = Aim(aim.peak_dbfs - expected_db, aim.average_dbfs - expected_db, aim.tolerance_db)
    average, peak = _average(levels), levels.sample_peak_dbfs
    if average is None or peak is None:
        return None
    whole = changes(peak, average, aim, peak)
    rest = _rest_that_may_be_playing(event, levels, aim, limits)
    if is_clipped(findings) or is_perhaps_clipped(findings):
        return _for_clipped(whole, findings, event if rest else None, limits, duration_s)
    change = whole.advised_db(aim.tolerance_db)
    other = rest.advised_db(aim.tolerance_db) if rest else change
    if event and rest and other > change:
        first = _two_numbers(event, rest, change, other)
    else:
        first, other = _one_number(whole, change, aim), change
    may_be_check = is_check or (duration_s is not None and duration_s < limits.level_check_s)
    after = _lift_sentence(lift) if lift else _room(whole, change, limits) if may_be_check else ""
    says = " ".join(filter(None, (CAUTION if max(change, other) > 0 else "", first, after)))
    return Advice(input_change_db=change, alternative_change_db=None if other == change else other, says=says)


def without_a_raise(advice: Advice, louder_peaks_dbfs: Sequence[float]) -> Advice:
    """Return the advice on a take that was played softer than earlier ones at the same input gain.

    `louder_peaks_dbfs` are the sample peaks of those. A raise that would bring one of them over -6 dBFS is taken back:
    they will be played like that again.
    """
    asked = [change for change in (advice.input_change_db, advice.alternative_change_db) if change is not None]
    loudest = max(louder_peaks_dbfs, default=None)
    if loudest is None or max(asked) <= max(0, floor(SAFE_PEAK_DBFS - loudest)):
        return advice
    change = min(0, *asked)
    first = f"Turn the input {-change} dB down" if change < 0 else "Leave the input as it is"
    says = f"{first}: played louder, this part came up to {loudest:.0f} dBFS at the same setting."
    return Advice(input_change_db=change, alternative_change_db=None, says=says)


def no_advice_sentence(levels: Levels) -> str | None:
    """Return the sentence for a take in which nothing plays; None where there is advice."""
    if levels.sample_peak_dbfs is not None and levels.average_dbfs is not None:
        return None
    return "Nothing is heard to set a level by: is the right input armed, and the microphone on?"


def changes(peak_dbfs: float, average_dbfs: float, aim: Aim, highest_dbfs: float) -> Changes:
    """Return what these levels ask for; the average is in dBFS RMS of a sine."""
    by_peak_db, by_average_db = aim.peak_dbfs - peak_dbfs, aim.average_dbfs - average_dbfs
    return Changes(peak_dbfs, average_dbfs, by_peak_db, by_average_db, highest_dbfs)


def stands_out(event: LoudestEvent, limits: TakeLimits) -> bool:
    """Return whether the loudest event peaks so far above all the rest that it may be a bump; not without a rest."""
    rest = event.rest_peak_dbfs
    return (
        rest is not None
        and event.rest_average_dbfs is not None
        and event.peak_dbfs - rest >= limits.event_stands_out_db
    )


def is_clipped(findings: Sequence[Finding]) -> bool:
    """Return whether anything is clipped beyond repair."""
    return any(finding.code in CLIPPING and finding.verdict is Verdict.PLAY_AGAIN for finding in findings)


def is_perhaps_clipped(findings: Sequence[Finding]) -> bool:
    """Return whether peaks end at full scale again and again, as clipping leaves them, or a limiter."""
    return any(
        finding.code == "clipped" and finding.verdict is Verdict.LISTEN and finding.count >= PERHAPS_CLIPPED_EVENTS
        for finding in findings
    )


def _rest_that_may_be_playing(
    event: LoudestEvent | None, levels: Levels, aim: Aim, limits: TakeLimits
) -> Changes | None:
    """Return what the take without its loudest event asks for; None where that event is the playing, or a part of it.

    It is the playing where the rest has no block above the gate, or lies near the noise. Its decay is no rest: the
    event lasts until it has died away.
    """
    if event is None or not stands_out(event, limits):
        return None
    peak, average = event.rest_peak_dbfs, event.rest_average_dbfs
    noise = levels.noise_floor_dbfs
    if peak is None or average is None or (noise is not None and average <= _of_sine(noise, levels) + NEAR_NOISE_DB):
        return None
    return changes(peak, average, aim, levels.sample_peak_dbfs or 0.0)


def _for_clipped(
    whole: Changes,
    findings: Sequence[Finding],
    bump: LoudestEvent | None,
    limits: TakeLimits,
    duration_s: float | None,
) -> Advice:
    """Return the advice for a clipped take: how far it went over is unknown, so the change is a least one."""
    change = min(whole.whole_db, -limits.clipped_least_db, -_least_by_flat_share(findings, duration_s))
    kind = "Clipped" if is_clipped(findings) else "Perhaps clipped"
    says = f"{kind}: turn the input at least {-change} dB down, then check again."
    if bump and _lies_in(findings, bump):
        says += f" Only one moment is clipped, at {clock(bump.at_s)}: if that was a bump, check again before you turn."
    return Advice(input_change_db=change, says=says)


def _least_by_flat_share(findings: Sequence[Finding], duration_s: float | None) -> int:
    """Return by how many dB a take is turned down at least, by the share of it that is flat at full scale."""
    at_full_scale = [finding for finding in findings if finding.code == "clipped"]
    if not is_clipped(at_full_scale):
        return 0
    share = sum(finding.total_s or 0.0 for finding in at_full_scale) / (duration_s or float("inf"))
    return next((least_db for flat_share, least_db in FLAT_SHARES if share >= flat_share), 0)


def _lies_in(findings: Sequence[Finding], bump: LoudestEvent) -> bool:
    """Return whether every clipped place lies in the loudest event; False where not all places are listed."""
    clipped = [finding for finding in findings if finding.code in CLIPPING and finding.verdict is not Verdict.USABLE]
    listed = all(finding.at_s and finding.count <= len(finding.at_s) for finding in clipped)
    return listed and all(bump.start_s <= at_s < bump.stop_s for finding in clipped for at_s in finding.at_s)


def _one_number(whole: Changes, change: int, aim: Aim) -> str:
    """Return the sentence where the whole take counts."""
    peak, average = f"peaks at {whole.peak_dbfs:.1f} dBFS", f"average of {whole.average_dbfs:.1f} dBFS"
    if change == 0:
        why = "The level is right" if abs(whole.smaller_db) <= aim.tolerance_db else "A raise could clip"
        return f"{why} ({peak}, {average}): leave the input as it is."
    if change < whole.whole_db:
        return f"{capitalised(_way(change))}, then check again: {peak}, {average}."
    if whole.by_peak_db <= whole.by_average_db:
        return f"{capitalised(_way(change))}: its {peak} then come to {aim.peak_dbfs:g}."
    return f"{capitalised(_way(change))}: its {average} then comes to {aim.average_dbfs:g}."


def _two_numbers(event: LoudestEvent, rest: Changes, change: int, other: int) -> str:
    """Return the sentence where the loudest moment may be a bump or the playing: the safe number comes first."""
    over = event.peak_dbfs - rest.peak_dbfs
    moment = f"One moment, at {clock(event.at_s)}, stands {over:.0f} dB over the rest."
    again = ", then check again" if 0 < other < rest.whole_db else ""
    return f"{moment} If that was playing, {_way(change)}; if it was a bump, {_way(other)}{again}."


def _way(change_db: int) -> str:
    if change_db == 0:
        return "leave the input as it is"
    return f"turn the input {abs(change_db)} dB {'up' if change_db > 0 else 'down'}"


def _room(whole: Changes, change: int, limits: TakeLimits) -> str:
    """Return how much room a take that may be a level check leaves for the loud part."""
    room_db = -(whole.highest_dbfs + change)
    left_db = room_db - limits.performance_louder_db
    if left_db >= 0.0:
        return f"Room for the loud part: {room_db:.0f} dB, enough."
    louder = f"people play {LEAST_LOUDER_DB:g} to {limits.performance_louder_db:g} dB louder than in a level check"
    return f"Room for the loud part: {room_db:.0f} dB; {louder}, so {ceil(-left_db)} dB further down is safer."


def _lift_sentence(lift: LearnedLift) -> str:
    spread = f"{lift.lowest_db:.0f} to {lift.highest_db:.0f}"
    return f"You play {lift.median_db:.0f} dB louder than in a level check ({spread} in {lift.pairs}): allowed for."


def _average(levels: Levels) -> float | None:
    """Return the average in dBFS RMS of a sine, whatever the record's reference is."""
    return None if levels.average_dbfs is None else _of_sine(levels.average_dbfs, levels)


def _of_sine(level_dbfs: float, levels: Levels) -> float:
    """Return a level of the record in dBFS RMS of a sine, whatever the record's reference is."""
    return level_dbfs if levels.average_reference == "sine" else level_dbfs + SINE_CREST_DB
