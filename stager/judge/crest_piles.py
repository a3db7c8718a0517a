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
    found = [pile for pile in piles if _is_cut(pile, limits)]
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


def _is_cut(pile: CrestPile, limits: DamageLimits) -> bool:
    """Return whether enough crests of differing shape end near one level to say that something cut them."""
    is_dense = pile.density_ratio >= limits.pile_density_ratio and pile.events >= limits.pile_events
    varies = pile.curvature_variation >= limits.pile_curvature_variation
    return is_dense and varies and pile.below_events >= limits.pile_below_share * pile.events
