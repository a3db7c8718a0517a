"""The bus forecast: all stems at unity faders, summed sample by sample in float64 and measured."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from math import floor
from typing import Final

import numpy as np

from stager.judge.bus import uniform_offset_db
from stager.meters import LoudnessMeter, OverviewMeter, Peaks, SamplePeakMeter, Samples, TruePeakMeter
from stager.meters.loudness import SAMPLE_RATES_HZ as LOUDNESS_RATES_HZ
from stager.model.bus import BusForecast, Contribution, Pairs, Part
from stager.songset.bus.channel import MixChannel
from stager.songset.bus.inputs import MixInputs, summed
from stager.songset.bus.summing import Mixer, Sums, each, mixing
from stager.units import db_from_linear, linear_from_db

LOUDEST: Final = 3
REACH_FRAMES: Final = 64
"""Samples on each side of the peak from which the waveform between two of them is interpolated."""
KERNEL_BETA: Final = 9.0


def forecast(
    parts: Sequence[Part],
    *,
    pan_law_db: float = -3.0,
    ceiling_dbtp: float = -6.0,
    step_db: float = 0.1,
) -> BusForecast:
    """Sum all parts and measure the sum; the formulas of pan and balance are in `stager.songset.bus.panning`.

    Files of another rate than most, and those that can't be read, are left out and named. Memory does not grow with
    the length or the number of files.
    """

    def work(inputs: MixInputs) -> BusForecast:
        with mixing(inputs, linear_from_db(pan_law_db)) as mixer:
            meters = _Meters(inputs, linear_from_db(pan_law_db))
            for sums in mixer.sums(0, inputs.frames):
                meters.update(mixer.pool, sums)
            return _forecast(inputs, mixer, meters, pan_law_db, ceiling_dbtp, step_db)

    return summed(parts, work)


class _Meters:
    """Everything that is measured on the bus."""

    def __init__(self, inputs: MixInputs, centre_linear: float) -> None:
        rate_hz = inputs.rate_hz or 0
        fits = LOUDNESS_RATES_HZ[0] <= rate_hz <= LOUDNESS_RATES_HZ[1]
        self.centre_linear, self.energy = centre_linear, 0.0
        self.peak, self.true_peak = SamplePeakMeter(2), TruePeakMeter(2)
        self.loudness = LoudnessMeter(2, rate_hz) if fits else None
        self.overview = OverviewMeter(2, inputs.frames)

    def update(self, pool: ThreadPoolExecutor, sums: Sums) -> None:
        """Take in the next stretch, on all cores."""
        bus = sums.bus(self.centre_linear)
        meters = (self.peak, self.true_peak, self.overview, *((self.loudness,) if self.loudness else ()))
        each(pool, *(partial(meter.update, bus) for meter in meters))
        self.energy += float(np.vdot(bus, bus))

    def peaks(self) -> tuple[float, float]:
        """Return the sample peak and the true peak of the higher side, 1.0 at full scale."""
        sampled, between = (max(meter.result().linear) for meter in (self.peak, self.true_peak))
        return sampled, max(sampled, between)


def _forecast(
    inputs: MixInputs, mixer: Mixer, meters: _Meters, pan_law_db: float, ceiling_dbtp: float, step_db: float
) -> BusForecast:
    overview, frames, rate_hz = meters.overview.result(), max(1, inputs.frames), inputs.rate_hz or 1
    side, at_frame = _highest(meters.true_peak.result())
    sample_peak_dbfs, peak = map(db_from_linear, meters.peaks())
    return BusForecast(
        parts=len(inputs.channels),
        sample_rate_hz=inputs.rate_hz,
        duration_s=inputs.frames / rate_hz,
        sample_peak_dbfs=sample_peak_dbfs,
        true_peak_dbtp=peak,
        loudness_lufs=meters.loudness.result().integrated_lufs() if meters.loudness else None,
        at_s=at_frame / rate_hz if peak is not None else None,
        side=("left", "right")[side] if peak is not None else None,
        loudest=_contributions(inputs, mixer, meters.centre_linear, side, at_frame) if peak is not None else (),
        pan_law_db=pan_law_db,
        ceiling_dbtp=ceiling_dbtp,
        step_db=step_db,
        room_db=None if peak is None else ceiling_dbtp - peak,
        uniform_offset_db=uniform_offset_db(peak, ceiling_dbtp, step_db),
        bus_power=meters.energy / frames,
        mean_part_power=float(mixer.energies.sum()) / frames / max(1, len(inputs.channels)),
        part_powers={c.part.name: float(e) / frames for c, e in zip(inputs.channels, mixer.energies, strict=True)},
        without_stamp=inputs.without_stamp,
        stamps_doubted=inputs.doubted,
        left_out=inputs.left_out,
        stretch_s=overview.stretch_frames / rate_hz,
        overview=(_pairs(overview.pairs[0]), _pairs(overview.pairs[1])),
    )


def _highest(peaks: Peaks) -> tuple[int, float]:
    """Return the side and the frame of the higher peak."""
    side = int(np.argmax(peaks.linear))
    return side, peaks.at_frames[side]


def _pairs(rows: Samples) -> Pairs:
    return tuple((low, high) for low, high in rows.tolist())


def _contributions(
    inputs: MixInputs, mixer: Mixer, centre_linear: float, side: int, at_frame: float
) -> tuple[Contribution, ...]:
    """Return what the loudest channels add to the waveform at this frame, which may lie between two samples."""
    start = floor(at_frame) - REACH_FRAMES + 1
    kernel = _kernel(at_frame - start)

    def value(channel: MixChannel) -> float:
        gains = channel.placement.at(centre_linear)[:, side] * channel.factor
        blocks = channel.frames(start, start + len(kernel))
        return sum(float(kernel[at - start : at - start + len(block)] @ (block @ gains)) for at, block in blocks)

    values = list(mixer.pool.map(value, inputs.channels))
    whole = sum(values) or 1.0
    shares = sorted(
        ((v / whole, v, s) for v, s in zip(values, inputs.channels, strict=True)), key=lambda item: -item[0]
    )
    return tuple(
        Contribution(stem=channel.part.name, share=share, level_dbfs=db_from_linear(value))
        for share, value, channel in shares[:LOUDEST]
    )


def _kernel(position: float) -> Samples:
    """Return the weights that interpolate at this position, in frames: a Kaiser-windowed sinc."""
    away = position - np.arange(2.0 * REACH_FRAMES)
    window = np.i0(KERNEL_BETA * np.sqrt(np.maximum(0.0, 1.0 - (away / REACH_FRAMES) ** 2))) / np.i0(KERNEL_BETA)
    return np.asarray(np.sinc(away) * window)
