"""The parts of a sum together: which are in, where they start, and work that is begun again when one is lost."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from stager.judge.bus import Span, common_rate, starts_of
from stager.model.bus import LeftOut, Part
from stager.songset.bus.channel import MixChannel, PartLost, mix_channel_of

R = TypeVar("R")


@dataclass(frozen=True, eq=False)
class MixInputs:
    """The channels of a sum, all of one rate, each in its place; `rate_hz` is None where there are none.

    `zero_stamp` is the time stamp of frame 0, in frames, None where no channel has one.
    """

    channels: tuple[MixChannel, ...]
    rate_hz: int | None
    zero_stamp: int | None
    without_stamp: tuple[str, ...]
    doubted: tuple[str, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def frames(self) -> int:
        """Length of the sum."""
        return max((channel.end for channel in self.channels), default=0)


def summed(
    parts: Sequence[Part],
    work: Callable[[MixInputs], R],
    *,
    polarities: Sequence[float] | None = None,
    left_out: Sequence[LeftOut] = (),
) -> R:
    """Return what `work` returns for these parts; where a part can't be read on the way, `work` runs again without it.

    All parts of that name are left out with it. `polarities` are factors of +1 or -1, `left_out` names parts that do
    not take part.

    Raises:
        StemError: for a file that is read on the side and is none of the parts.
    """
    gone = list(left_out)
    while True:
        inputs = _inputs(parts, polarities or [1.0] * len(parts), gone)
        try:
            return work(inputs)
        except PartLost as lost:
            if lost.part not in parts:
                raise lost.error from None
            gone.append(lost.left_out)


def _inputs(parts: Sequence[Part], polarities: Sequence[float], gone: Sequence[LeftOut]) -> MixInputs:
    channels, left_out = _opened(parts, polarities, gone)
    rate_hz = common_rate([channel.info.sample_rate_hz for channel in channels])
    for channel in channels:
        if channel.info.sample_rate_hz != rate_hz:
            found = (
                f"{channel.part.name}: expected {rate_hz} Hz as most stems have, found {channel.info.sample_rate_hz} Hz"
            )
            left_out.append(LeftOut(name=channel.part.name, reason="rate_differs", says=found))
    names = {left.name for left in left_out}
    channels = [channel for channel in channels if channel.part.name not in names]
    starts = starts_of([Span(channel.part.start_frames, channel.info.frames) for channel in channels], rate_hz or 1)
    for channel, first in zip(channels, starts.first_frames, strict=True):
        channel.first = first
    without, doubted = (
        tuple(dict.fromkeys(channels[number].part.name for number in numbers))
        for numbers in (starts.without_stamp, starts.doubted)
    )
    return MixInputs(tuple(channels), rate_hz, starts.zero_stamp, without, doubted, tuple(left_out))


def _opened(
    parts: Sequence[Part], polarities: Sequence[float], gone: Sequence[LeftOut]
) -> tuple[list[MixChannel], list[LeftOut]]:
    channels, left_out = [], list(gone)
    for part, polarity in zip(parts, polarities, strict=True):
        if part.name in {left.name for left in left_out}:
            continue
        try:
            channels.append(mix_channel_of(part, polarity))
        except PartLost as lost:
            left_out.append(lost.left_out)
    return channels, left_out
