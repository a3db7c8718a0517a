"""Which flat tops are damage, and which only look like it: one channel at a time. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from stager.model import Verdict
from stager.model.damage import FlatTop
from stager.model.damage_limits import DamageLimits
from stager.units import linear_from_db

OVER_LINEAR = 1.0 + 2.0**-15
"""An extreme above it is past full scale and can't be where a converter ends."""


@dataclass(frozen=True)
class Topped:
    """What the tops of one channel amount to: those of each side that rest at one level.

    `is_square`: they are stairs, as in waves that are square by themselves; `is_sharp`: hardly one is longer than a
    sample.
    """

    tops: tuple[FlatTop, ...]
    verdict: Verdict
    is_full_scale: bool
    is_square: bool
    is_sharp: bool


def topped(tops: Sequence[FlatTop], sample_rate_hz: int, limits: DamageLimits) -> list[Topped]:
    """Judge the tops of each channel; the upper and the lower side count together.

    Where any channel passes full scale, peaks of one sample are sure in none: no converter ends there, and what was at
    work behind it may have been a limiter in float.
    """
    channels = sorted({top.channel for top in tops})
    is_past = any(abs(top.level_linear) > OVER_LINEAR for top in tops)
    stroke_frames = limits.clip_stroke_s * sample_rate_hz
    found = [
        _channel([top for top in tops if top.channel == channel], limits, stroke_frames, is_past=is_past)
        for channel in channels
    ]
    return [each for each in found if each is not None]


def _channel(tops: Sequence[FlatTop], limits: DamageLimits, stroke_frames: float, *, is_past: bool) -> Topped | None:
    sides = [[top for top in tops if (top.level_linear > 0.0) is upper] for upper in (True, False)]
    resting = [(side, top) for side in sides if (top := _resting(side, limits)) is not None]
    if not resting:
        return None
    chosen = tuple(top for _, top in resting)
    if len(chosen) == 1:
        chosen += tuple(top for top in tops if _mirrors(top, chosen[0], limits))
    is_full = any(_is_full_scale(top, limits) for top in chosen)
    is_square = any(_is_square(top, limits) for top in chosen)
    is_sharp = not any(top.flat_events or top.pair_events > limits.clip_pair_share * top.events for top in chosen)
    verdict = Verdict.USABLE if is_square else _verdict(chosen, limits)
    is_chance = not is_full and not any(top is side[0] for side, top in resting) and _are_few(chosen, limits)
    is_sure = not is_past and not is_chance and any(_is_sure(side[-1], limits) for side, _ in resting)
    if verdict is Verdict.PLAY_AGAIN and is_sharp and not is_sure:
        if is_chance and _span(chosen) < stroke_frames:
            return None
        verdict = Verdict.LISTEN
    if verdict is Verdict.USABLE and not is_square:
        if not (is_full and any(top.flat_events for top in chosen)):
            return None
        verdict = Verdict.LISTEN
    return Topped(chosen, verdict, is_full, is_square, is_sharp)


def _verdict(tops: Sequence[FlatTop], limits: DamageLimits) -> Verdict:
    """Whether enough rests at the extremes of a channel."""
    events, frames = sum(top.events for top in tops), sum(top.frames for top in tops)
    enough = events >= limits.clip_events or frames >= limits.clip_frames
    return Verdict.PLAY_AGAIN if enough else Verdict.USABLE


def _are_few(tops: Sequence[FlatTop], limits: DamageLimits) -> bool:
    """Whether there are no more tops than must be: so many agree within dither by chance now and then."""
    return sum(top.events for top in tops) <= limits.clip_events


def _span(tops: Sequence[FlatTop]) -> int:
    """How many frames lie between the first and the last of few tops; those of a noisy stroke are near each other."""
    starts = [start for top in tops for start in top.starts]
    return max(starts) - min(starts)


def _resting(side: Sequence[FlatTop], limits: DamageLimits) -> FlatTop | None:
    """The tops of one side that rest at its extreme, by the finest tolerance, unless a coarser one shows many more."""
    found: FlatTop | None = None
    for top in side:
        if _rests(top, limits) and (found is None or top.frames >= limits.clip_coarser_ratio * found.frames):
            found = top
    return found


def _mirrors(top: FlatTop, other: FlatTop, limits: DamageLimits) -> bool:
    """Whether tops on the other side rest at the same level, so that they count with those that are known to."""
    apart = abs(top.level_linear + other.level_linear)
    few_below = top.below_events <= limits.clip_mirror_below_ratio * top.events
    return top.tolerance_linear == other.tolerance_linear and apart <= 2.0 * other.tolerance_linear and few_below


def _rests(top: FlatTop, limits: DamageLimits) -> bool:
    """Whether tops rest at one level although their shapes say that they would have gone on."""
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
    varied = varied and top.kinds >= min(limits.clip_kinds, top.short_events)
    return top.short_events > 1 and varied and top.bend_linear >= limits.clip_bend_ratio * top.tolerance_linear


def _is_square(top: FlatTop, limits: DamageLimits) -> bool:
    return top.stepped_events >= limits.square_stepped_share * top.events


def _is_sure(coarsest: FlatTop, limits: DamageLimits) -> bool:
    """Whether peaks of one sample are so sharp, and so few end just under them, that no limiter was at work."""
    if coarsest.bend_linear < limits.clip_sure_bend * abs(coarsest.level_linear):
        return False
    return coarsest.below_events <= limits.clip_sure_below_ratio * coarsest.events


def _is_full_scale(top: FlatTop, limits: DamageLimits) -> bool:
    return linear_from_db(limits.clip_full_scale_dbfs) <= abs(top.level_linear) <= OVER_LINEAR
