"""Which flat tops are clipping, and which only look like it, one channel at a time. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from stager.model import Verdict
from stager.model.damage import FlatTop
from stager.model.limits import DamageLimits
from stager.units import linear_from_db

OVER_LINEAR = 1.0 + 2.0**-15
"""An extreme above this lies past full scale, where no converter ends."""


@dataclass(frozen=True)
class ClippedChannel:
    """The flat tops of one channel that lie at one level on each side, and the verdict on them.

    `is_square`: they are stairs, as in waves that are square by themselves; `is_sharp`: hardly one is longer than a
    sample.
    """

    tops: tuple[FlatTop, ...]
    verdict: Verdict
    is_full_scale: bool
    is_square: bool
    is_sharp: bool


def clipped_channels(
    tops: Sequence[FlatTop], sample_rate_hz: int, limits: DamageLimits, level_steps: Sequence[float] = ()
) -> list[ClippedChannel]:
    """Return the clipped channels; a channel's upper and lower side count together.

    `level_steps` are the distances of the levels of channels that were once stored with few bits, 0 for others.

    Where any channel passes full scale, peaks of one sample are certain in none: no converter ends there, and a limiter
    in float may have made them.
    """
    channels = sorted({top.channel for top in tops})
    is_past = any(abs(top.level_linear) > OVER_LINEAR for top in tops)
    stroke_frames = limits.clip_stroke_s * sample_rate_hz
    found = [
        _channel([top for top in tops if top.channel == channel], limits, stroke_frames, is_past=is_past)
        for channel in channels
    ]
    steps = dict(enumerate(level_steps))
    coarse = [each and _on_coarse_levels(each, steps.get(each.tops[0].channel, 0.0), limits) for each in found]
    return [each for each in coarse if each is not None]


def _on_coarse_levels(found: ClippedChannel, step: float, limits: DamageLimits) -> ClippedChannel | None:
    """Return what is left of a channel's tops where levels lie so far apart that crests meet on one by chance."""
    if all(step <= limits.clip_tolerance_share * abs(top.level_linear) for top in found.tops):
        return found
    if sum(top.events for top in found.tops) < limits.clip_coarse_events:
        return None
    return replace(found, verdict=Verdict.USABLE if found.is_square else Verdict.LISTEN, is_sharp=True)


def _channel(
    tops: Sequence[FlatTop], limits: DamageLimits, stroke_frames: float, *, is_past: bool
) -> ClippedChannel | None:
    sides = [[top for top in tops if (top.level_linear > 0.0) is upper] for upper in (True, False)]
    plateaus = [(side, top) for side in sides if (top := _plateau_of(side, limits)) is not None]
    if not plateaus:
        return None
    chosen = tuple(top for _, top in plateaus)
    if len(chosen) == 1:
        chosen += tuple(top for top in tops if _matches_opposite_polarity(top, chosen[0], limits))
    is_full = any(_is_full_scale(top, limits) for top in chosen)
    is_square = any(_is_square(top, limits) for top in chosen)
    is_sharp = not any(top.flat_events or top.pair_events > limits.clip_pair_share * top.events for top in chosen)
    verdict = Verdict.USABLE if is_square else _verdict(chosen, limits)
    is_chance = not is_full and not any(top is side[0] for side, top in plateaus) and _are_few(chosen, limits)
    is_sure = not is_past and not is_chance and any(_is_sure(side[-1], limits) for side, _ in plateaus)
    if verdict is Verdict.PLAY_AGAIN and is_sharp and not is_sure:
        if is_chance and _span(chosen) < stroke_frames:
            return None
        verdict = Verdict.LISTEN
    if verdict is Verdict.USABLE and not is_square:
        if not (is_full and any(top.flat_events for top in chosen)):
            return None
        verdict = Verdict.LISTEN
    return ClippedChannel(chosen, verdict, is_full, is_square, is_sharp)


def _verdict(tops: Sequence[FlatTop], limits: DamageLimits) -> Verdict:
    """Return the verdict by how many tops and samples lie at the extremes of a channel."""
    events, frames = sum(top.events for top in tops), sum(top.frames for top in tops)
    enough = events >= limits.clip_events or frames >= limits.clip_frames
    return Verdict.PLAY_AGAIN if enough else Verdict.USABLE


def _are_few(tops: Sequence[FlatTop], limits: DamageLimits) -> bool:
    """Return whether the tops are no more than `clip_events`: so few agree within dither by chance now and then."""
    return sum(top.events for top in tops) <= limits.clip_events


def _span(tops: Sequence[FlatTop]) -> int:
    """Return the frames between the first and the last top; those of one noisy stroke are near each other."""
    starts = [start for top in tops for start in top.starts]
    return max(starts) - min(starts)


def _plateau_of(side: Sequence[FlatTop], limits: DamageLimits) -> FlatTop | None:
    """Return the tops of one side at its extreme, by the finest tolerance unless a coarser one shows many more."""
    found: FlatTop | None = None
    for top in side:
        if _is_plateau(top, limits) and (found is None or top.frames >= limits.clip_coarser_ratio * found.frames):
            found = top
    return found


def _matches_opposite_polarity(top: FlatTop, other: FlatTop, limits: DamageLimits) -> bool:
    """Return whether tops on the other side lie at the same level, so that they count with those that are known."""
    apart = abs(top.level_linear + other.level_linear)
    few_below = top.below_events <= limits.clip_mirror_below_ratio * top.events
    return top.tolerance_linear == other.tolerance_linear and apart <= 2.0 * other.tolerance_linear and few_below


def _is_plateau(top: FlatTop, limits: DamageLimits) -> bool:
    """Return whether tops end at one level although their shapes show that they would have gone on."""
    is_near = top.tolerance_linear <= limits.clip_tolerance_share * abs(top.level_linear)
    if not is_near or top.below_events > limits.clip_below_ratio * top.events:
        return False
    if _is_square(top, limits):
        return True
    long = top.events - top.short_events
    if long and top.flat_events < limits.clip_flat_share * long:
        return False
    if top.flat_events and top.flat_events >= limits.clip_flat_least_share * top.events:
        return True
    varied = top.varied_events >= limits.clip_varied_share * (top.short_events - 1)
    varied = varied and top.distinct_shapes >= min(limits.clip_kinds, top.short_events)
    return top.short_events > 1 and varied and top.curvature_linear >= limits.clip_bend_ratio * top.tolerance_linear


def _is_square(top: FlatTop, limits: DamageLimits) -> bool:
    return top.stepped_events >= limits.square_stepped_share * top.events


def _is_sure(coarsest: FlatTop, limits: DamageLimits) -> bool:
    """Return whether peaks of one sample are so sharp, and so few end just under them, that no limiter made them."""
    if coarsest.curvature_linear < limits.clip_sure_bend * abs(coarsest.level_linear):
        return False
    return coarsest.below_events <= limits.clip_sure_below_ratio * coarsest.events


def _is_full_scale(top: FlatTop, limits: DamageLimits) -> bool:
    return linear_from_db(limits.clip_full_scale_dbfs) <= abs(top.level_linear) <= OVER_LINEAR
