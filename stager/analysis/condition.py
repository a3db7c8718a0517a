"""The condition of a file beside its levels: pauses, offsets, its two sides and its loudest event, in one meter."""

from typing import Literal

from stager.detectors import (
    LoudestEventMeter,
    MicrophoneMeter,
    NoiseWindows,
    offset_of,
    steady_noise,
    steady_pause,
)
from stager.meters.average import AverageResult
from stager.meters.peak import Samples
from stager.model.condition import Condition


class ConditionMeter:
    """Compares the sides and finds the loudest event as the file passes; pauses and offsets come from its average."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._channels, self._rate_hz = channels, sample_rate_hz
        self._windows = NoiseWindows(channels, sample_rate_hz)
        self._microphones = MicrophoneMeter(channels, sample_rate_hz)
        self._events = LoudestEventMeter(sample_rate_hz)

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        self._microphones.update(block)
        self._events.update(block)
        self._windows.update(block)

    def result(
        self,
        average: AverageResult,
        channels: Literal["loudest", "mean"] = "loudest",
        least_noise_power: float = 0.0,
    ) -> Condition:
        """Return the condition, given the average of the same file; the rest around the loudest event by `channels`."""
        loudest = average.loudest_channel()
        pause, noise = steady_pause(average, loudest, least_noise_power), None
        if pause is None and average.channel(loudest).power is not None:
            noise = steady_noise(self._windows, loudest, self._rate_hz, least_noise_power)
        return Condition(
            pause=pause,
            noise=noise,
            offsets=tuple(offset_of(average, channel) for channel in range(self._channels)),
            microphones=self._microphones.result(),
            loudest_event=self._events.result().loudest(average, channels),
        )
