"""Peaks and average in one pass, and as a record: the figures that a trim is decided from."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal, Protocol

from stager.meters.average import AverageMeter, AverageResult
from stager.meters.peak import Peaks, SamplePeakMeter, Samples
from stager.meters.true_peak import TruePeakMeter
from stager.model import ChannelLevels, Levels, Reference, StreamInfo
from stager.units import SINE_CREST_DB, db_from_linear, db_from_power

Channels = Literal["loudest", "mean"]
ROUNDING: Final = 1e-12
"""Part of a power under which a difference of powers is rounding error."""


class Meter(Protocol):
    """An object that is fed block by block."""

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels) float64."""


@dataclass(frozen=True, eq=False)
class LevelFigures:
    """Peaks and average of a stream."""

    info: StreamInfo
    sample_peaks: Peaks
    true_peaks: Peaks
    average: AverageResult

    def levels(self, reference: Reference, channels: Channels) -> Levels:
        """Return the figures as a record; averages in this convention, of the loudest channel or the channels' mean."""
        each = tuple(self._channel(channel, reference) for channel in range(self.info.channels))
        stem = self.average.stem(channels)
        ungated = self.average.ungated_power(channels)
        sampled, between = _highest(self.sample_peaks), _highest(self.true_peaks)
        return Levels(
            sample_peak_dbfs=each[sampled].sample_peak_dbfs,
            sample_peak_at_s=each[sampled].sample_peak_at_s,
            true_peak_dbtp=each[between].true_peak_dbtp,
            true_peak_at_s=each[between].true_peak_at_s,
            average_dbfs=rms_dbfs(stem.power, reference),
            average_ungated_dbfs=rms_dbfs(ungated, reference),
            average_reference=reference,
            crest_db=each[sampled].crest_db,
            active_ratio=stem.kept_ratio,
            dc_offset_linear=float(max(self.average.means, key=abs)),
            per_channel=each,
        )

    def _channel(self, channel: int, reference: Reference) -> ChannelLevels:
        sampled, between = self.sample_peaks.linear[channel], self.true_peaks.linear[channel]
        gated, power = self.average.channel(channel), float(self.average.powers[channel])
        rate_hz = self.info.sample_rate_hz
        return ChannelLevels(
            sample_peak_dbfs=db_from_linear(sampled),
            sample_peak_at_s=self.sample_peaks.at_frames[channel] / rate_hz if sampled else None,
            true_peak_dbtp=db_from_linear(between),
            true_peak_at_s=self.true_peaks.at_frames[channel] / rate_hz if between else None,
            average_dbfs=rms_dbfs(gated.power, reference),
            average_ungated_dbfs=rms_dbfs(power, reference),
            crest_db=_ratio_db(sampled**2, _moving_power(power, float(self.average.means[channel]))),
            active_ratio=gated.kept_ratio,
            dc_offset_linear=float(self.average.means[channel]),
        )


@dataclass(frozen=True)
class _SideMeter:
    """A meter of one channel in a file of several, so that two threads can share the channels."""

    meter: TruePeakMeter
    channel: int

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        self.meter.update(block[:, self.channel : self.channel + 1])


class LevelPanel:
    """Sample peak, true peak and average in one pass."""

    def __init__(self, info: StreamInfo) -> None:
        self.info = info
        self._peak = SamplePeakMeter(info.channels)
        self._true_peaks = tuple(_SideMeter(TruePeakMeter(1), channel) for channel in range(info.channels))
        self._average = AverageMeter(info.channels, info.sample_rate_hz)

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels) float64."""
        for meter in self.meters():
            meter.update(block)

    def meters(self) -> Iterator["Meter"]:
        """Yield its meters, for a caller that feeds them one by one."""
        yield from (self._peak, self._average)
        yield from self._true_peaks

    def result(self) -> LevelFigures:
        """Return the figures of the whole file."""
        found = [side.meter.result() for side in self._true_peaks]
        linear, places = tuple(peaks.linear[0] for peaks in found), tuple(peaks.at_frames[0] for peaks in found)
        return LevelFigures(self.info, self._peak.result(), Peaks(linear, places), self._average.result())


def rms_dbfs(power: float | None, reference: Reference) -> float | None:
    """Return the RMS level of a mean square in dBFS: full-scale sine = 0 ("sine", AES17) or full-scale square = 0."""
    level = db_from_power(power) if power else None
    return level if level is None or reference == "square" else level + SINE_CREST_DB


def _highest(peaks: Peaks) -> int:
    return max(range(len(peaks.linear)), key=peaks.linear.__getitem__)


def _ratio_db(above: float, below: float) -> float | None:
    return db_from_power(above / below) if above and below else None


def _moving_power(power: float, mean: float) -> float:
    """Return a mean square without the constant part, 0 where what is left is rounding."""
    moving = power - mean**2
    return moving if moving > ROUNDING * power else 0.0
