"""The bus forecast with parts that are still to be recorded: its true peak as a range. Pure.

Rule. New parts have the power and the peak of the stem, or the mean of the role, that they are like, and nothing in
common with any other part, so that powers add. In the middle of the range the sum's crest stays what it is; at the
low end the new parts miss its loudest moment, at the high end their own peaks fall near it. Source: addition of powers
of incoherent signals, any handbook of acoustics; the width of the range is empirical: proof "planned".
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from stager.model.bus import BusForecast, PlannedBus
from stager.units import db_from_linear, db_from_power, linear_from_db

LOW_DB: Final = 3.0
"""How far under the middle the sum may peak."""
HIGH_DB: Final = 2.0
"""How far over the middle the sum may peak, where the sum of all peaks allows it."""


@dataclass(frozen=True)
class PartLevel:
    """A present stem: its mean square in the bus, both sides added, and the true peak of its copy."""

    stem: str
    role: str | None
    power: float
    peak_linear: float


@dataclass(frozen=True)
class PlannedPart:
    """`count` parts that are still to come, like the stem `like`, or like those of a role."""

    name: str
    like: str | None
    role: str | None
    count: int


def planned_bus(bus: BusForecast, stems: Sequence[PartLevel], planned: Sequence[PlannedPart]) -> PlannedBus | None:
    """Return what the planned parts do to the bus; None where none is planned, or the bus is silent now."""
    peak_dbtp = bus.true_peak_dbtp
    if not planned or peak_dbtp is None or not bus.bus_power:
        return None
    models = {part.name: _models(part, stems) for part in planned}
    unknown = tuple(part.name for part in planned if not models[part.name])
    power = sum(part.count * _mean([each.power for each in models[part.name] or stems]) for part in planned)
    peaks = sum(part.count * _mean([each.peak_linear for each in models[part.name] or stems]) for part in planned)
    rise_db = db_from_power(1.0 + power / bus.bus_power) or 0.0
    most_dbtp = db_from_linear(linear_from_db(peak_dbtp) + peaks) or peak_dbtp
    low_dbtp = peak_dbtp + rise_db - LOW_DB
    high_dbtp = max(low_dbtp, min(most_dbtp, peak_dbtp + rise_db + HIGH_DB))
    count = sum(part.count for part in planned)
    says = _sentence(count, low_dbtp, high_dbtp, bus.ceiling_dbtp, unknown)
    return PlannedBus(parts=count, rise_db=rise_db, low_dbtp=low_dbtp, high_dbtp=high_dbtp, unknown=unknown, says=says)


def _models(part: PlannedPart, stems: Sequence[PartLevel]) -> list[PartLevel]:
    """Return the stems that a planned part is like: by name, with its extension or without, or by role."""
    if part.like is not None:
        wanted = part.like.casefold()
        return [each for each in stems if wanted in (each.stem.casefold(), each.stem.rpartition(".")[0].casefold())]
    return [each for each in stems if part.role is not None and each.role == part.role]


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values) if values else 0.0


def _sentence(count: int, low_dbtp: float, high_dbtp: float, ceiling_dbtp: float, unknown: Sequence[str]) -> str:
    parts = "the planned part" if count == 1 else f"the {count} planned parts"
    over = high_dbtp - ceiling_dbtp
    room = f"up to {over:.0f} dB over the ceiling" if over > 0.0 else "under the ceiling"
    assumed = "if they are as loud as the stems they are like, and independent of all others"
    lost = f" No stem is like {', '.join(unknown)} yet: counted as a mean stem." if unknown else ""
    return (
        f"With {parts} the sum will peak between {low_dbtp:.0f} and {high_dbtp:.0f} dBTP, {room} of {ceiling_dbtp:g} "
        f"dBTP, {assumed}.{lost}"
    )
