"""All meters in one pass over a file, and their figures as one record."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from enum import StrEnum
from math import inf, nextafter
from typing import Final, Literal, Protocol

from stager.ahead import beside, has_spare_core
from stager.meters.average import AverageMeter, AverageResult
from stager.meters.condition import ConditionMeter
from stager.meters.finite import FiniteMeter
from stager.meters.flat_tops import FlatTopMeter
from stager.meters.gaps import GapMeter
from stager.meters.hum import Hum, HumMeter
from stager.meters.loudness import SAMPLE_RATES_HZ as LOUDNESS_RATES_HZ
from stager.meters.loudness import LoudnessMeter, LoudnessResult
from stager.meters.overview import Overview, OverviewMeter
from stager.meters.padding import PaddingMeter
from stager.meters.peak import Peaks, SamplePeakMeter, Samples
from stager.meters.quiet import noise_floor_power
from stager.meters.runs import RunSummaryMeter, silence_meter
from stager.meters.stereo import StereoMeter, StereoResult
from stager.meters.true_peak import TruePeakMeter
from stager.meters.vu import VuMeter, VuResult
from stager.model import ChannelLevels, Levels, Reference, StreamInfo
from stager.model.condition import Condition
from stager.model.damage import FlatTop, Gaps
from stager.model.runs import NO_RUNS, Runs, RunSummary, no_runs
from stager.units import SINE_CREST_DB, db_from_linear, db_from_power

RAIL_FRAMES: Final = 4
"""Samples in a row at full scale that count as one event: "4 or more is almost surely clipping" (a rule of thumb in the
trade, and the count that mastering rooms of the 1990s took for an over)."""

WORTH_A_THREAD: Final = 200_000
"""Samples of a block from which on a second thread is worth its while: all blocks of a long file have more."""

Channels = Literal["loudest", "mean"]


@dataclass(frozen=True, eq=False)
class LevelFigures:
    """Peaks and average of a stream."""

    info: StreamInfo
    sample_peaks: Peaks
    true_peaks: Peaks
    average: AverageResult

    def levels(self, reference: Reference, channels: Channels) -> Levels:
        """Give the figures as a record; averages in this convention, of the loudest channel or the channels' mean."""
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
            crest_db=_ratio_db(self.sample_peaks.linear[sampled] ** 2, ungated),
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
            crest_db=_ratio_db(sampled**2, power),
            active_ratio=gated.kept_ratio,
            dc_offset_linear=float(self.average.means[channel]),
        )


@dataclass(frozen=True, eq=False)
class Measured(LevelFigures):
    """All that one pass finds; None for what it was not asked for.

    `rails` rest at full scale, `overs` pass it (float only), `silences` are exact zeros; `flat_tops` are the crests at
    each extreme, `gaps` where sound is missing. `not_finite` counts samples that are no numbers; `not_finite_frame` is
    the first of them. `hums` has one entry a channel; `used_bits` are those of an integer grid that are not always 0.
    """

    loudness: LoudnessResult | None
    vu: VuResult | None
    stereo: StereoResult | None
    hums: tuple[Hum | None, ...]
    rails: RunSummary
    overs: RunSummary
    silences: Runs
    flat_tops: tuple[FlatTop, ...]
    gaps: Gaps
    condition: Condition | None
    used_bits: int | None
    overview: Overview | None
    not_finite: int
    not_finite_frame: int | None

    def levels(self, reference: Reference, channels: Channels) -> Levels:
        """Give the figures as a record, as `LevelFigures` does, with all the others that were measured."""
        hum = max((hum for hum in self.hums if hum), key=lambda hum: hum.power, default=None)
        floor = noise_floor_power(self.average, self.average.loudest_channel())
        others = {
            "vu_dbfs": db_from_linear(self.vu.stem_linear(self.average, channels)) if self.vu else None,
            "noise_floor_dbfs": rms_dbfs(floor, reference),
            "hum_dbfs": rms_dbfs(hum.power, reference) if hum else None,
            "hum_hz": hum.mains_hz if hum else None,
            **(self.loudness.to_levels() if self.loudness else {}),
            **(vars(self.stereo) if self.stereo else {}),
            "extra": {} if self.used_bits is None else {"used_bits": float(self.used_bits)},
        }
        return super().levels(reference, channels).model_copy(update=others)


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
        """Give its meters, for whoever feeds them one by one."""
        yield from (self._peak, self._average)
        yield from self._true_peaks

    def result(self) -> LevelFigures:
        """Give the figures of all that was fed."""
        found = [side.meter.result() for side in self._true_peaks]
        linear, places = tuple(peaks.linear[0] for peaks in found), tuple(peaks.at_frames[0] for peaks in found)
        return LevelFigures(self.info, self._peak.result(), Peaks(linear, places), self._average.result())


class Figure(StrEnum):
    """What a panel measures beside peaks and average."""

    LOUDNESS = "loudness"
    VU = "vu"
    STEREO = "stereo"
    HUM = "hum"
    RUNS = "runs"
    DAMAGE = "damage"
    CONDITION = "condition"
    OVERVIEW = "overview"


class Meter(Protocol):
    """What is fed block by block."""

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels) float64."""


class Panel:
    """Every meter in one pass, or those asked for, `alone` in one thread. No numbers count as 0."""

    def __init__(self, info: StreamInfo, figures: Collection[Figure] = tuple(Figure), *, alone: bool = False) -> None:
        self.info, self._alone = info, alone
        channels, rate_hz = info.channels, info.sample_rate_hz
        self._levels, self._finite = LevelPanel(info), FiniteMeter()
        fits = LOUDNESS_RATES_HZ[0] <= rate_hz <= LOUDNESS_RATES_HZ[1]
        loud = Figure.LOUDNESS in figures and fits
        self._loudness = LoudnessMeter(channels, rate_hz, info.channel_mask) if loud else None
        self._vu = VuMeter(channels, rate_hz) if Figure.VU in figures else None
        self._stereo = StereoMeter(channels) if Figure.STEREO in figures else None
        self._hum = HumMeter(channels, rate_hz) if Figure.HUM in figures else None
        self._runs = _RunMeters(info) if Figure.RUNS in figures else None
        self._tops = FlatTopMeter(info) if Figure.DAMAGE in figures else None
        self._gaps = GapMeter(channels, rate_hz) if Figure.DAMAGE in figures else None
        self._condition = ConditionMeter(channels, rate_hz) if Figure.CONDITION in figures else None
        self._padding = PaddingMeter(info) if Figure.CONDITION in figures else None
        self._overview = OverviewMeter(channels, info.frames) if Figure.OVERVIEW in figures else None

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels) float64; what is no number is set to 0 in place.

        With a core to spare, the meters share a second thread: whichever is free takes the next one, and each sees
        every block in order.
        """
        if not self.info.encoding.is_integer:
            self._finite.update(block)
        left = [meter for meter in self._all() if meter is not None]
        is_worth_it = not self._alone and block.size >= WORTH_A_THREAD and has_spare_core()
        helper = beside().submit(_feed, left, block) if is_worth_it else None
        _feed(left, block)
        if helper and not helper.cancel():
            helper.result()

    def _all(self) -> Iterator[Meter | None]:
        """Every meter, the most work last: the last is taken first."""
        yield from (self._overview, self._padding, self._runs, self._stereo, self._vu, self._tops, self._gaps)
        yield from (self._loudness, self._condition, self._hum)
        yield from self._levels.meters()

    def result(self) -> Measured:
        """Give all that was found in what was fed."""
        base = self._levels.result()
        parts = [base.average.channel(channel).power for channel in range(self.info.channels)]
        rails, overs, silences = self._runs.result() if self._runs else (NO_RUNS, NO_RUNS, no_runs())
        return Measured(
            **vars(base),
            loudness=self._loudness.result() if self._loudness else None,
            vu=self._vu.result() if self._vu else None,
            stereo=self._stereo.result() if self._stereo else None,
            hums=tuple(self._hum.result(channel, power) for channel, power in enumerate(parts)) if self._hum else (),
            rails=rails,
            overs=overs,
            silences=silences,
            flat_tops=self._tops.result() if self._tops else (),
            gaps=self._gaps.result() if self._gaps else Gaps(),
            condition=self._condition.result(base.average) if self._condition else None,
            used_bits=self._padding.result() if self._padding else None,
            overview=self._overview.result() if self._overview else None,
            not_finite=self._finite.count,
            not_finite_frame=self._finite.first_frame,
        )


def _feed(left: list[Meter], block: Samples) -> None:
    """Feed a block to those that are left, until none is; taking one off the list is a single step for all threads."""
    while left:
        try:
            meter = left.pop()
        except IndexError:  # the other thread took the last one
            return
        meter.update(block)


class _RunMeters:
    """Runs at full scale on either side, beyond it, and of nothing but zeros."""

    def __init__(self, info: StreamInfo) -> None:
        top = info.top_code_linear
        highest = inf if info.encoding.is_integer else top
        beyond = () if info.encoding.is_integer else _mirrored(nextafter(1.0, 2.0), inf)
        self._rails = RunSummaryMeter(info.channels, _mirrored(top, highest), RAIL_FRAMES)
        self._overs = RunSummaryMeter(info.channels, beyond, 1)
        self._silences = silence_meter(info.channels)

    def update(self, block: Samples) -> None:
        """Take in the next block."""
        self._rails.update(block)
        self._overs.update(block)
        self._silences.update(block)

    def result(self) -> tuple[RunSummary, RunSummary, Runs]:
        """Give rails, overs and silences."""
        return self._rails.result(), self._overs.result(), self._silences.result()


def rms_dbfs(power: float | None, reference: Reference) -> float | None:
    """Give the RMS level of a mean square in dBFS: full-scale sine = 0 ("sine", AES17) or full-scale square = 0."""
    level = db_from_power(power) if power else None
    return level if level is None or reference == "square" else level + SINE_CREST_DB


def _mirrored(low: float, high: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """A range and its mirror image under zero."""
    return (low, high), (-high, -low)


def _highest(peaks: Peaks) -> int:
    return max(range(len(peaks.linear)), key=peaks.linear.__getitem__)


def _ratio_db(above: float, below: float) -> float | None:
    return db_from_power(above / below) if above and below else None
