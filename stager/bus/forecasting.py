"""The bus forecast: all stems at unity faders, summed sample by sample in float64 and measured."""

from collections.abc import Sequence
from functools import partial
from math import floor
from typing import Final

import numpy as np

from stager.bus.desk import Desk, summed
from stager.bus.mixing import Mixer, Sums, each, mixing
from stager.bus.strips import Strip
from stager.judge.bus import uniform_offset_db
from stager.meters import LoudnessMeter, OverviewMeter, Peaks, SamplePeakMeter, Samples, TruePeakMeter
from stager.meters.loudness import SAMPLE_RATES_HZ as LOUDNESS_RATES_HZ
from stager.model.bus import BusForecast, Contribution, LawPeak, Pairs, Part
from stager.units import db_from_linear, linear_from_db

OTHER_LAWS_DB: Final = (0.0, -3.0, -4.5, -6.0)
LOUDEST: Final = 3
REACH_FRAMES: Final = 64
"""Samples on each side of the peak that tell what the wave between two of them is."""
KERNEL_BETA: Final = 9.0


def forecast(
    parts: Sequence[Part],
    *,
    pan_law_db: float = -3.0,
    ceiling_dbtp: float = -6.0,
    step_db: float = 0.1,
    other_laws_db: Sequence[float] = OTHER_LAWS_DB,
) -> BusForecast:
    """Sum all parts and measure the sum; formulas of pan and balance stand in `stager.bus.panning`.

    Files of another rate than most, and those that can't be read, are left out and named. Memory does not grow with
    the length or the number of files.
    """
    laws_db = (pan_law_db, *(law for law in other_laws_db if law != pan_law_db))

    def work(desk: Desk) -> BusForecast:
        with mixing(desk, linear_from_db(pan_law_db)) as mixer:
            meters = _Meters(desk, laws_db, mixer)
            for sums in mixer.sums(0, desk.frames):
                meters.update(sums)
            return _told(desk, mixer, meters, ceiling_dbtp, step_db)

    return summed(parts, work)


class _LawMeters:
    """Peaks under one pan law."""

    def __init__(self, law_db: float) -> None:
        self.law_db, self.centre_linear = law_db, linear_from_db(law_db)
        self.peak, self.true_peak = SamplePeakMeter(2), TruePeakMeter(2)

    def update(self, sums: Sums) -> None:
        """Take in the next stretch."""
        bus = sums.bus(self.centre_linear)
        self.peak.update(bus)
        self.true_peak.update(bus)

    def result(self) -> LawPeak:
        """Give the higher side's peaks."""
        sampled, between = (max(meter.result().linear) for meter in (self.peak, self.true_peak))
        return LawPeak(
            pan_law_db=self.law_db,
            sample_peak_dbfs=db_from_linear(sampled),
            true_peak_dbtp=db_from_linear(max(sampled, between)),
        )


class _Meters:
    """All that is measured: everything under the first law, peaks under the others."""

    def __init__(self, desk: Desk, laws_db: Sequence[float], mixer: Mixer) -> None:
        rate_hz = desk.rate_hz or 0
        fits = LOUDNESS_RATES_HZ[0] <= rate_hz <= LOUDNESS_RATES_HZ[1]
        self.laws = [_LawMeters(law_db) for law_db in laws_db]
        self.loudness = LoudnessMeter(2, rate_hz) if fits else None
        self.overview = OverviewMeter(2, desk.frames)
        self.energy = 0.0
        self._measured = self.laws if mixer.has_centre else self.laws[:1]
        self._pool = mixer.pool

    def update(self, sums: Sums) -> None:
        """Take in the next stretch, on all cores."""
        each(self._pool, partial(self._update_first, sums), *(partial(law.update, sums) for law in self._measured))

    def peaks_of(self, law: _LawMeters) -> LawPeak:
        """Without a mono stem every law gives the same."""
        measured = law if law in self._measured else self.laws[0]
        return measured.result().model_copy(update={"pan_law_db": law.law_db})

    def _update_first(self, sums: Sums) -> None:
        bus = sums.bus(self.laws[0].centre_linear)
        self.overview.update(bus)
        self.energy += float(np.vdot(bus, bus))
        if self.loudness is not None:
            self.loudness.update(bus)


def _told(desk: Desk, mixer: Mixer, meters: _Meters, ceiling_dbtp: float, step_db: float) -> BusForecast:
    first, *others = (meters.peaks_of(law) for law in meters.laws)
    overview, frames, rate_hz = meters.overview.result(), max(1, desk.frames), desk.rate_hz or 1
    side, at_frame = _highest(meters.laws[0].true_peak.result())
    peak = first.true_peak_dbtp
    return BusForecast(
        parts=len(desk.strips),
        sample_rate_hz=desk.rate_hz,
        duration_s=desk.frames / rate_hz,
        sample_peak_dbfs=first.sample_peak_dbfs,
        true_peak_dbtp=peak,
        loudness_lufs=meters.loudness.result().integrated_lufs() if meters.loudness else None,
        at_s=at_frame / rate_hz if peak is not None else None,
        side=("left", "right")[side] if peak is not None else None,
        loudest=_contributions(desk, mixer, meters.laws[0].centre_linear, side, at_frame) if peak is not None else (),
        pan_law_db=first.pan_law_db,
        other_laws=tuple(others),
        ceiling_dbtp=ceiling_dbtp,
        step_db=step_db,
        room_db=None if peak is None else ceiling_dbtp - peak,
        uniform_offset_db=uniform_offset_db(peak, ceiling_dbtp, step_db),
        bus_power=meters.energy / frames,
        mean_part_power=float(mixer.energies.sum()) / frames / max(1, len(desk.strips)),
        without_stamp=desk.without_stamp,
        stamps_doubted=desk.doubted,
        left_out=desk.left_out,
        stretch_s=overview.stretch_frames / rate_hz,
        overview=(_pairs(overview.pairs[0]), _pairs(overview.pairs[1])),
    )


def _highest(peaks: Peaks) -> tuple[int, float]:
    """The side and the frame of the higher peak."""
    side = int(np.argmax(peaks.linear))
    return side, peaks.at_frames[side]


def _pairs(rows: Samples) -> Pairs:
    return tuple((low, high) for low, high in rows.tolist())


def _contributions(
    desk: Desk, mixer: Mixer, centre_linear: float, side: int, at_frame: float
) -> tuple[Contribution, ...]:
    """What the loudest strips have in the wave at this place, between two samples where it lies there."""
    start = floor(at_frame) - REACH_FRAMES + 1
    kernel = _kernel(at_frame - start)

    def value(strip: Strip) -> float:
        gains = strip.placement.at(centre_linear)[:, side] * strip.factor
        blocks = strip.frames(start, start + len(kernel))
        return sum(float(kernel[at - start : at - start + len(block)] @ (block @ gains)) for at, block in blocks)

    values = list(mixer.pool.map(value, desk.strips))
    whole = sum(values) or 1.0
    shares = sorted(((v / whole, v, s) for v, s in zip(values, desk.strips, strict=True)), key=lambda item: -item[0])
    return tuple(
        Contribution(stem=strip.part.name, share=share, level_dbfs=db_from_linear(value))
        for share, value, strip in shares[:LOUDEST]
    )


def _kernel(position: float) -> Samples:
    """Weights that give the wave at this position, in frames, out of the samples around: a Kaiser-windowed sinc."""
    away = position - np.arange(2.0 * REACH_FRAMES)
    window = np.i0(KERNEL_BETA * np.sqrt(np.maximum(0.0, 1.0 - (away / REACH_FRAMES) ** 2))) / np.i0(KERNEL_BETA)
    return np.asarray(np.sinc(away) * window)
