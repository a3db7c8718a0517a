"""Noise under a part that never pauses: what is left, at one level all the time, between the partials of its sound.

While a file passes, at most 200 short windows of it are kept. In each octave from 500 Hz up, the level between the
partials is a low quantile of the spectrum's bins; its minimum over time is that of the noise where three things hold:
it is steady from the quietest windows on, its bins fluctuate from window to window as those of noise do, and they are
as flat as those of noise. What fails one of them belongs to the sound: breath and bows follow the playing, notes have
lines. An octave that fails is left out, so that the figure is never too high by much.

Source: minimum statistics after R. Martin, "Noise power spectral density estimation based on optimal smoothing and
minimum statistics", IEEE Trans. Speech and Audio Processing 9 (5), 2001 (from memory), here with quantiles over the
whole file; the power of a bin of noise is distributed exponentially (arithmetic). Thresholds are empirical: the proof
"noise".
"""

from collections.abc import Iterator, Sequence
from math import log, log2, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.meters.peak import Samples
from stager.model.condition import SteadyNoise
from stager.units import db_from_power, dbfs_rms_from_power, power_from_db

WINDOW_S: Final = 0.085
HOP_S: Final = 0.1
MOST_WINDOWS: Final = 200
"""Windows kept; once there are as many, every second one is dropped, and half as many follow."""
MOST_BYTES: Final = 64 << 20
"""The same as a bound on memory, for files of very many channels."""
FEWEST_WINDOWS: Final = 20
"""Windows under which a quantile of 5 % says nothing: 2 s."""
LOWEST_HZ: Final = 500.0
"""Below it partials lie too close; the lowest octave stands for what is below it as well."""
HIGHEST_SHARE: Final = 0.45
FEWEST_BINS: Final = 24
BETWEEN: Final = 0.25
"""Share of an octave's bins that the level between partials is taken from."""
FLOOR: Final = 0.10
QUIET: Final = (0.05, 0.20)
"""Shares of the windows between whose levels noise keeps its level."""
SPREAD_DB: Final = (1.3, 4.3)
"""That spread at most: so much, and this over the root of an eighth of the bins (own figures: twice that of noise)."""
FLUCTUATION_DB: Final = (5.0, 8.2)
"""Between the quartiles of one bin over the quiet windows; noise has 6.8 (arithmetic: of an exponential law)."""
FLATNESS_DB: Final = 8.4
"""Between the quartiles of the bins of an octave in them, at most; noise has 6.8."""
MOST_ZEROS: Final = 0.1
"""Share of zeros from which a window holds digital silence, and counts for nothing."""
LEAST_POWER: Final = 1e-30

Powers = NDArray[np.float32]


class NoiseWindows:
    """Keeps short windows of all channels at even distances; any cut into blocks gives the same."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._frames = 1 << round(log2(max(16.0, WINDOW_S * sample_rate_hz)))
        self._hop = max(self._frames, round(HOP_S * sample_rate_hz))
        most = MOST_BYTES // (4 * self._frames * channels)
        self._most = 2 * max(FEWEST_WINDOWS, min(MOST_WINDOWS, most) // 2)
        self._windows: list[Powers] = []
        self._open = np.empty((self._frames, channels), np.float32)
        self._filled = self._passed = self._next = 0

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        while (first := self._next + self._filled - self._passed) < len(block):
            taken = block[first : first + self._frames - self._filled]
            self._open[self._filled : self._filled + len(taken)] = taken
            self._filled += len(taken)
            if self._filled == self._frames:
                self._keep()
        self._passed += len(block)

    def of(self, channel: int) -> list[Powers]:
        """Return the windows of one channel, each (frames,), as views."""
        return [window[:, channel] for window in self._windows]

    @property
    def hop_frames(self) -> int:
        """The distance of the starts of two windows."""
        return self._hop

    def _keep(self) -> None:
        self._windows.append(self._open)
        self._open, self._filled = np.empty_like(self._open), 0
        if len(self._windows) == self._most:
            self._windows, self._hop = self._windows[::2], 2 * self._hop
        self._next = len(self._windows) * self._hop


def steady_noise(windows: NoiseWindows, channel: int, rate_hz: int, least_power: float = 0.0) -> SteadyNoise | None:
    """Return the steady noise of a channel (from 0), or None where the sound leaves none to be seen."""
    kept = windows.of(channel)
    sounding = [number for number, window in enumerate(kept) if (window == 0.0).mean() < MOST_ZEROS]
    if len(sounding) < FEWEST_WINDOWS:
        return None
    densities = _densities([kept[number] for number in sounding], rate_hz)
    power = sum(_octave_powers(densities, rate_hz))
    level = dbfs_rms_from_power(power) if power > least_power else None
    if level is None:
        return None
    quietest = int(sounding[densities.sum(axis=1).argmin()])
    return SteadyNoise(level_dbfs=level, at_s=quietest * windows.hop_frames / rate_hz)


def _densities(windows: Sequence[Powers], rate_hz: int) -> Samples:
    """Return power per hertz, (windows, bins); one spectrum at a time, since all at once would hold 30 MB."""
    frames = len(windows[0])
    taper = np.hanning(frames + 1)[:-1]
    densities = np.empty((len(windows), frames // 2 + 1))
    for row, window in zip(densities, windows, strict=True):
        spectrum = np.fft.rfft(window * taper)
        row[:] = (spectrum.real**2 + spectrum.imag**2) * (2.0 / rate_hz / (taper**2).sum())
    return densities


def _octave_powers(densities: Samples, rate_hz: int) -> Iterator[float]:
    """Yield the power of the noise in each octave that has noise."""
    bin_hz, low_hz, below_hz = 0.5 * rate_hz / (densities.shape[1] - 1), LOWEST_HZ, LOWEST_HZ
    while low_hz < HIGHEST_SHARE * rate_hz:
        high_hz = min(2.0 * low_hz, HIGHEST_SHARE * rate_hz)
        density = _density(densities[:, round(low_hz / bin_hz) : round(high_hz / bin_hz)])
        yield density * (high_hz - low_hz + below_hz)
        low_hz, below_hz = high_hz, 0.0


def _density(octave: Samples) -> float:
    """Return the density of the noise in one octave, (windows, bins); 0 where what is there belongs to the sound."""
    bins = octave.shape[1]
    if bins < FEWEST_BINS:
        return 0.0
    levels = np.quantile(octave, BETWEEN, axis=1) / -log(1.0 - BETWEEN)
    low, floor, high = np.maximum(np.quantile(levels, (QUIET[0], FLOOR, QUIET[1])), LEAST_POWER).tolist()
    if high > low * power_from_db(SPREAD_DB[0] + SPREAD_DB[1] / sqrt(bins / 8.0)):
        return 0.0
    quiet = np.maximum(octave[levels <= high], LEAST_POWER)
    quarter, three = np.quantile(quiet, (0.25, 0.75), axis=0)
    fluctuation = db_from_power(float(np.median(three / quarter))) or 0.0
    flatness = db_from_power(float(np.quantile(quiet, 0.75) / np.quantile(quiet, 0.25))) or 0.0
    is_noise = FLUCTUATION_DB[0] <= fluctuation <= FLUCTUATION_DB[1] and flatness <= FLATNESS_DB
    return floor if is_noise else 0.0
