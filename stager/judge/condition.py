"""Findings about the condition of a stem or a take: its noise, its hum, its constant part. Pure."""

from collections.abc import Sequence

from stager.judge.places import clock
from stager.model import Finding, Levels, Verdict
from stager.model.condition import Condition, Offset, Pause
from stager.model.condition_limits import ConditionLimits
from stager.units import SINE_CREST_DB, db_from_linear

HUM_IS_THE_NOISE_DB = 3.0
"""Where hum lies within this of the noise floor, it is at least half of it, and the hum alone is told."""


def condition_findings(
    condition: Condition,
    levels: Levels,
    gain_db: float | None,
    limits: ConditionLimits | None = None,
    part: str = "the part",
) -> list[Finding]:
    """Find all that is wrong with a file's condition; `part` is what its sentences call it.

    `gain_db` is the trim, None for a take: it has none, and is judged as if it were brought to a usual average.
    """
    limits = limits or ConditionLimits()
    return [
        *noise_raised(condition.pause, levels, gain_db, limits, part),
        *hum(condition.pause, levels, gain_db, limits, part),
        *dc_offset(condition.offsets, limits),
    ]


def noise_raised(
    pause: Pause | None, levels: Levels, gain_db: float | None, limits: ConditionLimits, part: str = "the part"
) -> list[Finding]:
    """Find noise that stands out once the trim is applied; only noise that is steady in a pause counts."""
    floor, average = _sine(levels.noise_floor_dbfs, levels), _sine(levels.average_dbfs, levels)
    if pause is None or floor is None or average is None or _is_hum(floor, levels):
        return []
    after, distance = floor + _gain(average, gain_db, limits), average - floor
    verdict = _verdict(after, limits.noise_usable_dbfs, limits.noise_listen_dbfs)
    if verdict is None:
        return []
    stands = f"{part} stands {distance:.0f} dB above its noise, which lies at {after:.0f} dBFS"
    says = f"{stands[0].upper()}{stands[1:]} {_when(gain_db, limits)}: listen to the pause at {clock(pause.at_s)}."
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


def hum(
    pause: Pause | None, levels: Levels, gain_db: float | None, limits: ConditionLimits, part: str = "the part"
) -> list[Finding]:
    """Find hum of the mains that stands out once the trim is applied."""
    level, average = _sine(levels.hum_dbfs, levels), _sine(levels.average_dbfs, levels)
    if level is None or average is None or levels.hum_hz is None:
        return []
    after, under = level + _gain(average, gain_db, limits), average - level
    verdict = _verdict(after, limits.hum_usable_dbfs, limits.hum_listen_dbfs)
    if verdict is None:
        return []
    stands = f"A hum of {levels.hum_hz:.0f} Hz from the mains lies {under:.0f} dB under {part}"
    place = f"listen to the pause at {clock(pause.at_s)}" if pause else "listen to the pauses"
    says = (
        f"{stands}, at {after:.0f} dBFS {_when(gain_db, limits)}: {place}, and look for a power supply near the cable."
    )
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
    """Find a constant part: a waveform that rests beside zero, loud and quiet moments alike."""
    found = {channel: offset for channel, offset in enumerate(offsets, 1) if offset and _is_offset(offset, limits)}
    if not found:
        return []
    worst = max(found.values(), key=lambda offset: abs(offset.median_linear)).median_linear
    side = "above" if worst > 0.0 else "below"
    level = db_from_linear(worst)
    says = (
        f"The waveform rests {100.0 * abs(worst):.2g} % of full scale {side} zero all the way through: it takes away "
        "headroom and clicks at edits; a high-pass filter removes it, and the interface may need a look."
    )
    measured: dict[str, float | str] = {"offset_linear": worst, "offset_dbfs": 0.0 if level is None else level}
    return [Finding(code="dc_offset", verdict=Verdict.USABLE, channels=tuple(found), measured=measured, says=says)]


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
    """A level of the record in dBFS of a sine, whatever the record's reference is."""
    if level_dbfs is None or levels.average_reference == "sine":
        return level_dbfs
    return level_dbfs + SINE_CREST_DB


def _gain(average_dbfs: float, gain_db: float | None, limits: ConditionLimits) -> float:
    return limits.take_average_dbfs - average_dbfs if gain_db is None else gain_db


def _verdict(level: float, usable_over: float, listen_over: float) -> Verdict | None:
    if level > listen_over:
        return Verdict.LISTEN
    return Verdict.USABLE if level > usable_over else None


def _when(gain_db: float | None, limits: ConditionLimits) -> str:
    if gain_db is None:
        return f"once the take is brought to {limits.take_average_dbfs:g} dBFS"
    return "after the trim"
