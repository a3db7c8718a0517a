"""All that tells of a file's condition beside its levels, fed block by block as one."""

from typing import Literal

from stager.meters.average import AverageResult
from stager.meters.events import EventMeter
from stager.meters.microphones import MicrophoneMeter
from stager.meters.offset import offset_of
from stager.meters.pauses import steady_pause
from stager.meters.peak import Samples
from stager.model.condition import Condition


class ConditionMeter:
    """The microphones and the loudest event as the file passes; pauses and offsets come from its average."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._channels = channels
        self._microphones = MicrophoneMeter(channels, sample_rate_hz)
        self._events = EventMeter(sample_rate_hz)

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        self._microphones.update(block)
        self._events.update(block)

    def result(self, average: AverageResult, channels: Literal["loudest", "mean"] = "loudest") -> Condition:
        """Give the condition, given the average of the same file, of its loudest channel or its channels' mean."""
        return Condition(
            pause=steady_pause(average, average.loudest_channel()),
            offsets=tuple(offset_of(average, channel) for channel in range(self._channels)),
            microphones=self._microphones.result(),
            loudest_event=self._events.result().loudest(average, channels),
        )
