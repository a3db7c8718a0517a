"""Findings about the condition of a stem or a take: its noise, its hum, its constant offset. Pure."""

from collections.abc import Sequence

from stager.judge.channels import PLUGGING_CAUTION
from stager.judge.sentences import clock
from stager.model import Finding, Levels, Verdict
from stager.model.condition import Condition, Offset, Pause, SteadyNoise
from stager.model.limits import ConditionLimits
from stager.units import SINE_CREST_DB, db_from_linear

NOTHING_ELSE_DB = 1.0
"""Where hum lies so near the average, it is four fifths of the power (arithmetic), and may be the part itself."""
NEARLY_ALL_DB = 3.0
"""Where noise lies so near the average, it is half of the power (arithmetic)."""
HUM_IS_THE_NOISE_DB = 3.0
"""Where hum lies within this of the noise floor, it is at least half of it, and only the hum is reported."""


def condition_findings(
    condition: Condition,
    levels: Levels,
    gain_db: float | None,
    limits: ConditionLimits | None = None,
    part: str = "the part",
) -> list[Finding]:
    """Return the findings about a file's condition; `part` is what its sentences call it.

    `gain_db` is the trim, None for a take: it has none, and is judged as if it were brought to a usual average.
    """
    limits = limits or ConditionLimits()
    return [
        *noise_raised(condition.pause, levels, gain_db, limits, part),
        *steady_noise_raised(condition.noise, levels, gain_db, limits, part),
        *hum(condition.pause, levels, gain_db, limits, part),
        *dc_offset(condition.offsets, limits),
    ]


def noise_raised(
    pause: Pause | None, levels: Levels, gain_db: float | None, limits: ConditionLimits, part: str = "the part"
) -> list[Finding]:
    """Return the finding of noise that stands out after the trim; only noise that is steady in a pause counts."""
    floor, average = _sine(levels.noise_floor_dbfs, levels), _sine(levels.average_dbfs, levels)
    if pause is None or floor is None or average is None or _is_hum(floor, levels):
        return []
    after, distance = floor + _gain(average, gain_db, limits), average - floor
    verdict = _verdict(after, limits.noise_usable_dbfs, limits.noise_listen_dbfs)
    if verdict is None:
        return []
    only, heard = ("only ", "you will hear it in gaps") if verdict is Verdict.LISTEN else ("", "faint in gaps")
    says = f"Noise is {only}{distance:.0f} dB below {part}: {heard}. Listen at {clock(pause.at_s)}."
    return [
        Finding(
            code="noise_raised",
            verdict=verdict,
            at_s=(pause.at_s,),
            worst_at_s=pause.at_s,
            total_s=pause.length_s,
            measured={"noise_floor_dbfs": floor, "noise_after_trim_dbfs": after, "above_noise_db": distance},
            says=says,
        )
    ]


def steady_noise_raised(
    noise: SteadyNoise | None, levels: Levels, gain_db: float | None, limits: ConditionLimits, part: str = "the part"
) -> list[Finding]:
    """Return the finding of noise under a part that never pauses; whether it is the sound itself is left open."""
    average = _sine(levels.average_dbfs, levels)
    if noise is None or average is None or _is_hum(noise.level_dbfs, levels):
        return []
    after, distance = noise.level_dbfs + _gain(average, gain_db, limits), max(0.0, average - noise.level_dbfs)
    verdict = _verdict(after, limits.noise_usable_dbfs, limits.noise_listen_dbfs)
    if verdict is None:
        return []
    only = "only " if verdict is Verdict.LISTEN else ""
    what = f"Even noise, {only}{distance:.0f} dB below {part}, which never pauses."
    if distance < NEARLY_ALL_DB:
        what = "Hardly anything but even noise."
    says = f"{what} Listen at {clock(noise.at_s)}: if it belongs to the sound, all is well."
    return [
        Finding(
            code="noise_raised",
            verdict=verdict,
            at_s=(noise.at_s,),
            worst_at_s=noise.at_s,
            measured={
                "noise_floor_dbfs": noise.level_dbfs,
                "noise_after_trim_dbfs": after,
                "above_noise_db": distance,
            },
            says=says,
        )
    ]


def has_no_pause(levels: Levels) -> bool:
    """Return whether a part plays, and neither pauses nor leaves any noise to be seen under it."""
    return levels.average_dbfs is not None and levels.noise_floor_dbfs is None


def hum(
    pause: Pause | None, levels: Levels, gain_db: float | None, limits: ConditionLimits, part: str = "the part"
) -> list[Finding]:
    """Return the finding of hum of the mains that stands out after the trim."""
    level, average = _sine(levels.hum_dbfs, levels), _sine(levels.average_dbfs, levels)
    if level is None or average is None or levels.hum_hz is None:
        return []
    after, under = level + _gain(average, gain_db, limits), average - level
    verdict = _verdict(after, limits.hum_usable_dbfs, limits.hum_listen_dbfs)
    if verdict is None:
        return []
    place = f"at {clock(pause.at_s)}" if pause else "in its quietest moment"
    what = f"Hum of {levels.hum_hz:.0f} Hz from the mains, {under:.0f} dB below {part}: listen {place}, and"
    if under < NOTHING_ELSE_DB:
        what = f"Hardly anything but hum of {levels.hum_hz:.0f} Hz from the mains. If it is no drone that is meant,"
    says = f"{what} keep power supplies away from the cable. {PLUGGING_CAUTION}"
    at_s = None if pause is None else pause.at_s
    return [
        Finding(
            code="hum",
            verdict=verdict,
            at_s=() if at_s is None else (at_s,),
            worst_at_s=at_s,
            measured={"hum_dbfs": level, "hum_after_trim_dbfs": after, "under_part_db": under, "hum_hz": levels.hum_hz},
            says=says,
        )
    ]


def dc_offset(offsets: Sequence[Offset | None], limits: ConditionLimits) -> list[Finding]:
    """Return the finding of a constant offset: a waveform that is not centred on zero, loud or quiet."""
    found = {n: (_offset_linear(offset, limits), offset) for n, offset in enumerate(offsets, 1) if offset}
    found = {n: each for n, each in found.items() if each[0]}
    if not found:
        return []
    worst, offset = max(found.values(), key=lambda each: abs(each[0]))
    level, stretch = db_from_linear(worst), None if _is_offset(offset, limits) else offset.stretch
    when = "" if stretch is None else f", from {clock(stretch.at_s)} for {stretch.length_s:.1f} s"
    advice = "hard; the step remove_dc takes it out" if stretch is None else "there"
    says = (
        f"Constant offset ({100.0 * abs(worst):.2g} % of full scale){_where(tuple(found), len(offsets))}{when}. "
        f"Harmless unless you cut {advice}."
    )
    return [
        Finding(
            code="dc_offset",
            verdict=Verdict.USABLE,
            channels=tuple(found),
            at_s=() if stretch is None else (stretch.at_s,),
            worst_at_s=None if stretch is None else stretch.at_s,
            total_s=None if stretch is None else stretch.length_s,
            measured={"offset_linear": worst, "offset_dbfs": 0.0 if level is None else level},
            says=says,
        )
    ]


def _offset_linear(offset: Offset, limits: ConditionLimits) -> float:
    """Return a channel's offset, of the whole file or of a stretch of it; 0 where there is none to report."""
    if _is_offset(offset, limits):
        return offset.median_linear
    stretch = offset.stretch
    return stretch.level_linear if stretch and abs(stretch.level_linear) > limits.dc_offset_linear else 0.0


def _is_offset(offset: Offset, limits: ConditionLimits) -> bool:
    quiet = offset.quiet_linear if offset.median_linear > 0.0 else -offset.quiet_linear
    return (
        abs(offset.median_linear) > limits.dc_offset_linear
        and offset.same_sign_ratio >= limits.dc_same_sign_ratio
        and quiet >= limits.dc_quiet_ratio * abs(offset.median_linear)
        and offset.covered_s >= limits.dc_shortest_s
    )


def _is_hum(floor_dbfs: float, levels: Levels) -> bool:
    level = _sine(levels.hum_dbfs, levels)
    return level is not None and level >= floor_dbfs - HUM_IS_THE_NOISE_DB


def _sine(level_dbfs: float | None, levels: Levels) -> float | None:
    """Return a level of the record in dBFS of a sine, whatever the record's reference is."""
    if level_dbfs is None or levels.average_reference == "sine":
        return level_dbfs
    return level_dbfs + SINE_CREST_DB


def _gain(average_dbfs: float, gain_db: float | None, limits: ConditionLimits) -> float:
    return limits.take_average_dbfs - average_dbfs if gain_db is None else gain_db


def _verdict(level: float, usable_over: float, listen_over: float) -> Verdict | None:
    if level > listen_over:
        return Verdict.LISTEN
    return Verdict.USABLE if level > usable_over else None


def _where(channels: tuple[int, ...], of: int) -> str:
    """Return in which channels, counted from 1, as a sentence says it; "" in a mono file."""
    if of == 1:
        return ""
    if of == 2:
        return ", both sides" if len(channels) == 2 else f", {'left' if channels == (1,) else 'right'}"
    return f", channel{'s' * (len(channels) > 1)} {', '.join(map(str, channels))}"
