"""The first and the last moments of a mix: silence, cut-off sound, and the noise that a fade ends in."""

from typing import Final

import numpy as np

from stager.meters import Samples
from stager.model.mix import EndsFigure
from stager.units import db_from_linear, dbfs_rms_from_power, linear_from_db

SILENT_DBFS: Final = -60.0
"""Samples under this count as silence before and after the music (own figure)."""
START_S: Final = 0.05
FIRST_S: Final = 0.001
LAST_S: Final = 0.005
BLOCK_S: Final = 0.05
REST_BLOCKS: Final = 6
"""0.3 s: so long something must stay steady to count as noise or hum behind a fade (own figure)."""
LINE_SHARE: Final = 0.5
MAINS_HZ: Final = (50.0, 60.0)
HARMONICS: Final = (1, 2, 3, 4, 5)
LINE_WIDTH_HZ: Final = 5.0


class EndsMeter:
    """Keeps the beginning and the end of a file; fed blocks of shape (frames, channels)."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._rate_hz = sample_rate_hz
        self._first = np.zeros((0, channels))
        self._last = np.zeros((0, channels))
        self._most_first, self._most_last = round(START_S * sample_rate_hz), round(2.0 * sample_rate_hz)
        self._sounding = np.zeros((0, channels))
        self._frames = 0
        self._first_loud: int | None = None
        self._end_loud = 0

    def update(self, block: Samples) -> None:
        """Take in the next block."""
        if len(self._first) < self._most_first:
            self._first = np.concatenate((self._first, block))[: self._most_first]
        heights = np.abs(block).max(axis=1)
        loud = np.flatnonzero(heights > linear_from_db(SILENT_DBFS))
        if len(loud):
            if self._first_loud is None:
                self._first_loud = self._frames + int(loud[0])
            self._end_loud = self._frames + int(loud[-1]) + 1
        heard = np.flatnonzero(heights)
        if len(heard):
            self._sounding = _tail(self._last, block[: heard[-1] + 1], self._most_last)
        self._last = _tail(self._last, block, self._most_last)
        self._frames += len(block)

    def result(self) -> EndsFigure:
        """Return the figures of both ends."""
        quiet = self._first_loud is None
        total_s = self._frames / self._rate_hz
        rest, spread, line_hz = self._rest()
        ends = (self._first, self._last[-self._most_first :])
        means = [constant for end in ends if len(end) for constant in _constants(end)]
        first = _moving(ends[0])[: max(1, round(FIRST_S * self._rate_hz))]
        last = _moving(ends[1])[-max(1, round(LAST_S * self._rate_hz)) :]
        return EndsFigure(
            silence_before_s=total_s if quiet else (self._first_loud or 0) / self._rate_hz,
            silence_after_s=total_s if quiet else (self._frames - self._end_loud) / self._rate_hz,
            first_peak_dbfs=db_from_linear(float(np.abs(first).max(initial=0.0))),
            last_peak_dbfs=db_from_linear(float(np.abs(last).max(initial=0.0))),
            rest_dbfs=rest,
            rest_spread_db=spread,
            rest_hz=line_hz,
            dc_linear=max(means, default=0.0),
        )

    def _rest(self) -> tuple[float | None, float | None, float | None]:
        """Level, spread and mains line of the last 0.3 s that are not digital silence."""
        size = round(BLOCK_S * self._rate_hz)
        if len(self._sounding) < REST_BLOCKS * size:
            return None, None, None
        part = self._sounding[-REST_BLOCKS * size :]
        levels = [_rms_dbfs(part[at : at + size]) for at in range(0, len(part), size)]
        known = [level for level in levels if level is not None]
        spread = max(known) - min(known) if len(known) == len(levels) else None
        return _rms_dbfs(part), spread, self._line_hz(part)

    def _line_hz(self, part: Samples) -> float | None:
        """The mains frequency whose first five harmonics hold more than half the power, or None."""
        powers = (np.abs(np.fft.rfft(part * np.hanning(len(part))[:, None], axis=0)) ** 2).sum(axis=1)
        frequencies = np.fft.rfftfreq(len(part), 1.0 / self._rate_hz)
        whole = float(powers[frequencies >= MAINS_HZ[0] / 2.0].sum())
        for mains_hz in MAINS_HZ:
            near = np.zeros(len(powers), bool)
            for order in HARMONICS:
                near |= np.abs(frequencies - order * mains_hz) <= LINE_WIDTH_HZ
            if whole and float(powers[near].sum()) > LINE_SHARE * whole:
                return mains_hz
        return None


def _tail(before: Samples, block: Samples, most: int) -> Samples:
    return np.concatenate((before, block))[-most:]


def _moving(part: Samples) -> Samples:
    """Return a stretch without its constant part where that is larger than the sound around it."""
    if not len(part):
        return part
    constants = np.array(_constants(part)) * np.sign(part.mean(axis=0))
    return np.asarray(part - constants, np.float64)


def _constants(part: Samples) -> list[float]:
    """The constant part of each channel, 0 where what moves around it is larger."""
    means, spreads = np.abs(part.mean(axis=0)), part.std(axis=0)
    return [float(mean) if mean > spread else 0.0 for mean, spread in zip(means, spreads, strict=True)]


def _rms_dbfs(part: Samples) -> float | None:
    """The level of the louder channel, AES17."""
    return dbfs_rms_from_power(float((part**2).mean(axis=0).max())) if len(part) else None
