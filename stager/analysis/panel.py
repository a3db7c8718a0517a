"""All meters in one pass over a file, and their figures as one record."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from enum import StrEnum
from math import inf, nextafter
from typing import Final

from stager.analysis.condition import ConditionMeter
from stager.analysis.level_panel import Channels, LevelFigures, LevelPanel, Meter, rms_dbfs
from stager.detectors import (
    CrestHeightMeter,
    FiniteMeter,
    FlatTopMeter,
    GapMeter,
    Hum,
    HumMeter,
    LevelStepMeter,
    RepeatMeter,
    RunSummaryMeter,
    UnusedBitsMeter,
    noise_floor_power,
    rounding_power,
    silence_meter,
)
from stager.meters.equal_channels import EqualChannelsMeter
from stager.meters.loudness import SAMPLE_RATES_HZ as LOUDNESS_RATES_HZ
from stager.meters.loudness import LoudnessMeter, LoudnessResult
from stager.meters.overview import Overview, OverviewMeter
from stager.meters.peak import Samples
from stager.meters.stereo import StereoMeter, StereoResult
from stager.meters.vu import VuMeter, VuResult
from stager.model import Levels, Reference, StreamInfo
from stager.model.condition import Condition
from stager.model.damage import CrestPile, FlatTop, Gaps
from stager.model.run_summary import NO_RUNS, RunSummary
from stager.model.runs import Runs, no_runs
from stager.system.prefetch import has_spare_core, helper_threads
from stager.units import db_from_linear, power_from_dbfs_rms

RAIL_FRAMES: Final = 4
"""Samples in a row at full scale that count as one event: "4 or more is almost surely clipping" (a rule of thumb in the
trade, and the count that mastering rooms of the 1990s took for an over)."""

WORTH_A_THREAD: Final = 200_000
"""Samples of a block from which a second thread saves time: all blocks of a long file have more."""


@dataclass(frozen=True, eq=False)
class Measured(LevelFigures):
    """All figures of one pass; None for those that were not requested.

    `rails` are runs at full scale, `overs` runs beyond it (float only), `silences` runs of zeros; `equal_channels`
    has for each channel the first (from 0) with the same samples, empty where not requested; `flat_tops` describe
    the crests at each extreme, `crest_piles` where their heights pile up, `gaps` are where sound is missing.
    `not_finite` counts samples that are not finite or beyond any level, `not_finite_frame` is the first. `hums` has one
    entry a channel; `used_bits` are the bits of the coarsest grid of integers that holds every sample,
    `level_steps` by channel the distance of the levels of sound that was once stored with few bits, 0 for none.
    """

    loudness: LoudnessResult | None
    vu: VuResult | None
    stereo: StereoResult | None
    hums: tuple[Hum | None, ...]
    rails: RunSummary
    overs: RunSummary
    silences: Runs
    equal_channels: tuple[int, ...]
    flat_tops: tuple[FlatTop, ...]
    crest_piles: tuple[CrestPile, ...]
    gaps: Gaps
    condition: Condition | None
    used_bits: int | None
    level_steps: tuple[float, ...]
    overview: Overview | None
    not_finite: int
    not_finite_frame: int | None

    def levels(self, reference: Reference, channels: Channels) -> Levels:
        """Return the figures as a record, as `LevelFigures` does, with all the others that were measured."""
        hum = max((hum for hum in self.hums if hum), key=lambda hum: hum.power, default=None)
        floor = self._noise_power()
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

    def _noise_power(self) -> float | None:
        """Return the mean square of the noise in pauses, or under a part that has none; None where neither is seen."""
        found = noise_floor_power(self.average, self.average.loudest_channel(), rounding_power(self.used_bits))
        if found is not None or self.condition is None or self.condition.noise is None:
            return found
        return power_from_dbfs_rms(self.condition.noise.level_dbfs)


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


class Panel:
    """Every meter, or the requested ones, in one pass, with `alone` in one thread; non-finite samples count as 0."""

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
        self._crests = CrestHeightMeter(channels) if Figure.DAMAGE in figures else None
        self._gaps = GapMeter(channels, rate_hz) if Figure.DAMAGE in figures else None
        self._repeats = RepeatMeter(channels) if Figure.DAMAGE in figures else None
        self._condition = ConditionMeter(channels, rate_hz) if Figure.CONDITION in figures else None
        self._padding = UnusedBitsMeter(info) if Figure.CONDITION in figures else None
        self._steps = LevelStepMeter(info) if Figure.DAMAGE in figures else None
        self._overview = OverviewMeter(channels, info.frames) if Figure.OVERVIEW in figures else None

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels) float64; non-finite samples are set to 0 in place.

        With a core to spare, a second thread feeds meters too; each meter gets every block in order.
        """
        if not self.info.encoding.is_integer:
            self._finite.update(block)
        left = [meter for meter in self._all() if meter is not None]
        is_worth_it = not self._alone and block.size >= WORTH_A_THREAD and has_spare_core()
        helper = helper_threads().submit(_feed, left, block) if is_worth_it else None
        _feed(left, block)
        if helper and not helper.cancel():
            helper.result()

    def _all(self) -> Iterator[Meter | None]:
        """Yield every meter, the costliest last: the last is fed first."""
        yield from (
            self._overview,
            self._padding,
            self._steps,
            self._runs,
            self._stereo,
            self._vu,
            self._tops,
            self._crests,
            self._gaps,
            self._repeats,
        )
        yield from (self._loudness, self._condition, self._hum)
        yield from self._levels.meters()

    def _all_gaps(self) -> Gaps:
        """Return where sound is missing, or comes again."""
        if not (self._gaps and self._repeats):
            return Gaps()
        return self._gaps.result().model_copy(update={"repeats": self._repeats.result()})

    def result(self) -> Measured:
        """Return the figures of the whole file."""
        base = self._levels.result()
        parts = [base.average.channel(channel).power for channel in range(self.info.channels)]
        rails, overs, silences = self._runs.result() if self._runs else (NO_RUNS, NO_RUNS, no_runs())
        equal = self._runs.equal.result() if self._runs else ()
        used_bits = self._padding.result() if self._padding else None
        least = rounding_power(used_bits)
        condition = self._condition.result(base.average, least_noise_power=least) if self._condition else None
        return Measured(
            **vars(base),
            loudness=self._loudness.result() if self._loudness else None,
            vu=self._vu.result() if self._vu else None,
            stereo=self._stereo.result() if self._stereo else None,
            hums=tuple(self._hum.result(channel, power) for channel, power in enumerate(parts)) if self._hum else (),
            rails=rails,
            overs=overs,
            silences=silences,
            equal_channels=equal,
            flat_tops=self._tops.result() if self._tops else (),
            crest_piles=self._crests.result() if self._crests else (),
            gaps=self._all_gaps(),
            condition=condition,
            used_bits=used_bits,
            level_steps=self._steps.result(used_bits) if self._steps else (),
            overview=self._overview.result() if self._overview else None,
            not_finite=self._finite.count,
            not_finite_frame=self._finite.first_frame,
        )


def _feed(left: list[Meter], block: Samples) -> None:
    """Feed a block to the meters of a list until it is empty; removing one is atomic, so that threads can share it."""
    while left:
        try:
            meter = left.pop()
        except IndexError:  # the other thread took the last one
            return
        meter.update(block)


class _RunMeters:
    """Finds runs at full scale on either side, beyond it, and of zeros; and which channels are equal."""

    def __init__(self, info: StreamInfo) -> None:
        top = info.top_code_linear
        highest = inf if info.encoding.is_integer else top
        beyond = () if info.encoding.is_integer else _mirrored(nextafter(1.0, 2.0), inf)
        self._rails = RunSummaryMeter(info.channels, _mirrored(top, highest), RAIL_FRAMES)
        self._overs = RunSummaryMeter(info.channels, beyond, 1)
        self._silences, self.equal = silence_meter(info.channels), EqualChannelsMeter(info.channels)

    def update(self, block: Samples) -> None:
        """Take in the next block."""
        self._rails.update(block)
        self._overs.update(block)
        self._silences.update(block)
        self.equal.update(block)

    def result(self) -> tuple[RunSummary, RunSummary, Runs]:
        """Return rails, overs and silences."""
        return self._rails.result(), self._overs.result(), self._silences.result()


def _mirrored(low: float, high: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return a range and the same range with the opposite sign."""
    return (low, high), (-high, -low)
