"""The finding of clipping behind a codec or a resampler: crests whose heights pile up at one level. Pure."""

from collections.abc import Sequence

from stager.judge.sentences import clock, times
from stager.model import Finding, StreamInfo, Verdict
from stager.model.damage import CrestPile
from stager.model.limits import DamageLimits
from stager.units import db_from_linear

LIMITS = DamageLimits()


def clipped_before_coding(piles: Sequence[CrestPile], info: StreamInfo, limits: DamageLimits = LIMITS) -> list[Finding]:
    """Return the finding of crests that pile up at one level: never more than `listen`, since a limiter does the same.

    It is for stems in which no flat tops are found; where they are, the cut is told by them.
    """
    likely = [pile for pile in piles if _is_likely(pile, limits)]
    found = [
        pile for pile in likely if pile.density_ratio >= limits.pile_density_ratio or _is_level(pile, likely, limits)
    ]
    if not found:
        return []
    count, densest = sum(pile.events for pile in found), max(found, key=lambda pile: pile.density_ratio)
    level_dbfs = db_from_linear(abs(densest.level_linear)) or 0.0
    starts = [start / info.sample_rate_hz for start in densest.starts]
    at = clock(starts[0])
    says = (
        f"Peaks pile up {times(count)} at {level_dbfs:.1f} dBFS, as clipping before coding, or a limiter, leaves it: "
        f"listen at {at}."
    )
    return [
        Finding(
            code="clipped_before_coding",
            verdict=Verdict.LISTEN,
            channels=tuple(sorted({pile.channel + 1 for pile in found})),
            count=count,
            at_s=tuple(starts),
            worst_at_s=starts[0],
            measured={"level_dbfs": level_dbfs, "density_ratio": densest.density_ratio},
            says=says,
        )
    ]


def _is_likely(pile: CrestPile, limits: DamageLimits) -> bool:
    """Return whether enough crests of differing shape end near one level, and enough under it, as cut sound has."""
    by_chance = pile.events / pile.density_ratio if pile.density_ratio else 0.0
    varies = pile.curvature_variation >= limits.pile_curvature_variation
    is_among = pile.below_events >= limits.pile_below_share * pile.events and by_chance >= limits.pile_chance_events
    return pile.events >= limits.pile_events and varies and is_among


def _is_level(pile: CrestPile, piles: Sequence[CrestPile], limits: DamageLimits) -> bool:
    """Return whether the other side piles up at the same level, both together dense enough."""
    return any(
        other.channel == pile.channel
        and other.level_linear * pile.level_linear < 0.0
        and abs(other.level_linear + pile.level_linear) <= limits.pile_sides_apart_ratio * abs(pile.level_linear)
        and other.density_ratio + pile.density_ratio >= limits.pile_sides_density_ratio
        for other in piles
    )
