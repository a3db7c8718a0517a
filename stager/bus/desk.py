"""The parts of a sum together: which are in, where they start, and work that is begun again when one is lost."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from stager.bus.strips import PartLost, Strip, strip_of
from stager.judge.bus import Span, common_rate, starts_of
from stager.model.bus import LeftOut, Part

R = TypeVar("R")


@dataclass(frozen=True, eq=False)
class Desk:
    """Strips of one rate, each in its place; `rate_hz` is None where there are none.

    `zero_stamp` is the time stamp of frame 0, in frames, None where no strip has one.
    """

    strips: tuple[Strip, ...]
    rate_hz: int | None
    zero_stamp: int | None
    without_stamp: tuple[str, ...]
    doubted: tuple[str, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def frames(self) -> int:
        """Length of the sum."""
        return max((strip.end for strip in self.strips), default=0)


def summed(
    parts: Sequence[Part],
    work: Callable[[Desk], R],
    *,
    polarities: Sequence[float] | None = None,
    left_out: Sequence[LeftOut] = (),
) -> R:
    """Do some work on a desk of these parts; where one is lost on the way, again without it.

    What is lost takes every part of its name with it. `polarities` are factors of +1 or -1, `left_out` names parts that
    are not to come in.

    Raises:
        StemError: for a file that is read on the side and is none of the parts.
    """
    gone = list(left_out)
    while True:
        desk = _desk(parts, polarities or [1.0] * len(parts), gone)
        try:
            return work(desk)
        except PartLost as lost:
            if lost.part not in parts:
                raise lost.error from None
            gone.append(lost.left_out)


def _desk(parts: Sequence[Part], polarities: Sequence[float], gone: Sequence[LeftOut]) -> Desk:
    strips, left_out = _opened(parts, polarities, gone)
    rate_hz = common_rate([strip.info.sample_rate_hz for strip in strips])
    for strip in strips:
        if strip.info.sample_rate_hz != rate_hz:
            found = f"{strip.part.name}: expected {rate_hz} Hz as most stems have, found {strip.info.sample_rate_hz} Hz"
            left_out.append(LeftOut(name=strip.part.name, reason="rate_differs", says=found))
    names = {left.name for left in left_out}
    strips = [strip for strip in strips if strip.part.name not in names]
    starts = starts_of([Span(strip.part.start_frames, strip.info.frames) for strip in strips], rate_hz or 1)
    for strip, first in zip(strips, starts.first_frames, strict=True):
        strip.first = first
    without, doubted = (
        tuple(dict.fromkeys(strips[number].part.name for number in numbers))
        for numbers in (starts.without_stamp, starts.doubted)
    )
    return Desk(tuple(strips), rate_hz, starts.zero_stamp, without, doubted, tuple(left_out))


def _opened(
    parts: Sequence[Part], polarities: Sequence[float], gone: Sequence[LeftOut]
) -> tuple[list[Strip], list[LeftOut]]:
    strips, left_out = [], list(gone)
    for part, polarity in zip(parts, polarities, strict=True):
        if part.name in {left.name for left in left_out}:
            continue
        try:
            strips.append(strip_of(part, polarity))
        except PartLost as lost:
            left_out.append(lost.left_out)
    return strips, left_out
