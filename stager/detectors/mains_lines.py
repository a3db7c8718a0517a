"""Mains lines under a part that never pauses: the hum that is in every window of a file, at one level.

Windows of 2 s are taken over the whole file, at most 80 of them, and transformed twice: as they are, and weighted
against their own loud moments, which shows hum between the strokes of drums. In each, a line is the highest bin within
the drift of the mains at a multiple of 50 or 60 Hz. It counts where the level that it has in 95 % of the windows stands
over the level that the bands beside it fall short of in 25 %, and where it keeps its level: a note, even a repeated one
of the same pitch, fails one of the two, since it begins and ends, and the notes of a tune move to other bands. Lines
must agree about the frequency of the mains to 0.2 %; the fundamental must be among them, or two with one of the first
three.

Source: quantiles of spectra over time after M. Brandt and J. Bitzer, "Automatic Detection of Hum in Audio Signals", J.
Audio Eng. Soc. 62 (9), 2014 (from memory); drift of the mains of 0.4 %: EN 50160, from memory. Thresholds are
empirical: the proof "hum".
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from stager.detectors.decimation import decimation_gain
from stager.meters.peak import Samples
from stager.units import db_from_power, power_from_db

MAINS_HZ: Final = (50.0, 60.0)
WINDOW_S: Final = 2.0
HOP_S: Final = 0.5
MOST_WINDOWS: Final = 80
"""Windows kept; once there are as many, every second one is dropped, and half as many follow."""
FEWEST_WINDOWS: Final = 12
"""Windows under which "in 95 % of them" says nothing: 7.5 s."""
ENVELOPE_S: Final = 0.05
QUIET_SHARE: Final = 0.2
"""The level that the quietest part of a window stays under keeps its weight of 1; louder moments weigh less."""
HIGHEST_HZ: Final = 950.0
HIGHEST_SHARE: Final = 0.475
"""The same as a part of the rate: the bands beside the highest line must fit under half of it."""
DRIFT: Final = 0.0045
AGREEMENT: Final = 0.002
LOBE_BINS: Final = 3
"""Bins between a line's search range and the bands beside it: the main lobe of the taper."""
COMB_HZ: Final = 12.0
COMB_DB: Final = -6.0
"""Within so many hertz of a line, nothing steady may come this near to its level: strokes that are repeated exactly, as
of a loop, have lines at all multiples of their rate (a rate over 12 a second is a note)."""
ONE_LINE_DB: Final = 8.0
"""Distance over the bands beside it from which the fundamental alone is hum."""
TWO_LINES_DB: Final = 4.0
MORE_LINES_DB: Final = 1.0
"""The same for two lines, and for further ones once there is hum."""
SPREAD_DB: Final = 3.0
"""Between the levels that 5 % and 25 % of the windows stay under, at most."""
LOWEST_FIRST: Final = 3
"""One of two lines must be at this multiple or under it: higher ones are too often near a note's harmonic."""
LOWEST_SHARE_DB: Final = -52.0
"""Lines further under the part are rounding or leakage."""
LEVEL_QUANTILE: Final = 0.3
MOST_ZEROS_S: Final = 0.05

Powers = NDArray[np.float32]


class LineWindows:
    """Keeps windows of the decimated file for all channels; any cut into blocks gives the same."""

    def __init__(self, rate_hz: float) -> None:
        self._frames, self._hop = round(WINDOW_S * rate_hz), round(HOP_S * rate_hz)
        self._rows: list[Samples] = []
        self._first = self._count = self._next = 0
        self._windows: list[Powers] = []

    def add(self, rows: Samples) -> None:
        """Take in the next decimated samples, (frames, channels)."""
        self._rows.append(rows)
        self._count += len(rows)
        if self._count < self._next + self._frames:
            return
        kept = np.concatenate(self._rows)
        while self._count >= self._next + self._frames:
            start = self._next - self._first
            self._windows.append(kept[start : start + self._frames].astype(np.float32))
            self._next += self._hop
            if len(self._windows) == MOST_WINDOWS:
                self._windows, self._hop = self._windows[::2], 2 * self._hop
                self._next = len(self._windows) * self._hop
        cut = min(len(kept), self._next - self._first)
        self._rows, self._first = [kept[cut:].copy()], self._first + cut

    @property
    def are_enough(self) -> bool:
        """Whether lines can be told from notes by these windows."""
        return len(self._windows) >= FEWEST_WINDOWS

    def of(self, channel: int) -> Samples:
        """Return the windows of one channel, (windows, frames)."""
        return np.array([window[:, channel] for window in self._windows], np.float64).reshape(-1, self._frames)


class Line(NamedTuple):
    """A spectral line at a multiple of the mains frequency; lines compare by `over_db` first.

    `over_db` is its level above the neighbouring bands, `spread_db` how far its level varies from window to window,
    `mains_hz` its frequency divided by its multiple, `power` its mean square.
    """

    over_db: float
    spread_db: float
    mains_hz: float
    power: float


def mains_lines(windows: Samples, rate_hz: float, step: int, part_power: float) -> tuple[float, float] | None:
    """Return the mean square of the hum that runs through these windows, and its mains frequency, or None."""
    sounding = windows[(windows == 0.0).sum(axis=1) < MOST_ZEROS_S * rate_hz]
    if len(sounding) < FEWEST_WINDOWS:
        return None
    centred = sounding - sounding.mean(axis=1, keepdims=True)
    taper = np.hanning(windows.shape[1] + 1)[:-1]
    spectra = [_powers(centred, taper), _powers(centred, taper * _weights(centred, rate_hz))]
    least = part_power * power_from_db(LOWEST_SHARE_DB)
    found = [_hum_at(mains, spectra, rate_hz, step, least) for mains in MAINS_HZ]
    return max((hum for hum in found if hum), default=None)


def _weights(windows: Samples, rate_hz: float) -> Samples:
    """Return weights that lower what is louder than the quiet part of a window, by the square of its level over it."""
    width = 2 * round(0.5 * ENVELOPE_S * rate_hz) + 1
    padded = np.pad(windows**2, ((0, 0), (width // 2 + 1, width // 2)), mode="edge")
    sums = np.cumsum(padded, axis=1)
    envelope = np.maximum((sums[:, width:] - sums[:, :-width]) / width, 1e-20)
    quiet = _quantile(envelope[:, ::width].T, QUIET_SHARE)[:, None]
    return np.asarray(np.minimum(1.0, quiet / envelope))


def _powers(windows: Samples, taper: Samples) -> Samples:
    """Return power spectra, (windows, bins), in which a sine of amplitude a reads a squared."""
    scale = 2.0 / taper.sum(axis=-1, keepdims=True)
    spectra = np.fft.rfft(windows * taper * scale, axis=1)
    return np.asarray(spectra.real**2 + spectra.imag**2)


def _hum_at(
    mains_hz: float, spectra: list[Samples], rate_hz: float, step: int, least: float
) -> tuple[float, float] | None:
    """Return (mean square, mains frequency) of the lines at the multiples of one mains frequency, or None."""
    lines = {}
    for multiple in range(1, int(min(HIGHEST_HZ, HIGHEST_SHARE * rate_hz) / mains_hz) + 1):
        gain = decimation_gain(multiple * mains_hz, rate_hz, step) ** 2
        tries = [_line(powers, multiple, mains_hz, rate_hz / (2 * powers.shape[1] - 2), gain) for powers in spectra]
        steady = [line for line in tries if line and line.spread_db <= SPREAD_DB and line.power >= least]
        if steady:
            lines[multiple] = max(steady)
    if not lines:
        return None
    best = max(lines.values())
    agreeing = {n: line for n, line in lines.items() if abs(line.mains_hz - best.mains_hz) <= AGREEMENT * mains_hz}
    sure = [n for n, line in agreeing.items() if line.over_db >= TWO_LINES_DB]
    alone = 1 in agreeing and agreeing[1].over_db >= ONE_LINE_DB
    if not alone and (len(sure) < 2 or min(sure) > LOWEST_FIRST):
        return None
    return sum(line.power for line in agreeing.values()), mains_hz


def _line(powers: Samples, multiple: int, mains_hz: float, bin_hz: float, gain: float) -> Line | None:
    """Return the line at a multiple of the mains frequency, or None where its range has no peak that stands out."""
    centre, reach = multiple * mains_hz / bin_hz, multiple * mains_hz * DRIFT / bin_hz
    low, stop = round(centre - reach), round(centre + reach) + 1
    width = stop - low
    starts = (low - LOBE_BINS - width, low - LOBE_BINS - 2 * width, stop + LOBE_BINS, stop + LOBE_BINS + width)
    beside = [_quantile(powers[:, start : start + width].max(axis=1), 0.25) for start in starts if start > 1]
    highest = powers[:, low:stop].max(axis=1)
    lowest = float(_quantile(highest, 0.05))
    over = db_from_power(lowest / max(1e-30, *map(float, beside)))
    if over is None or over < MORE_LINES_DB or _has_comb(powers, low, stop, lowest, round(COMB_HZ / bin_hz)):
        return None
    spread, peak_hz = db_from_power(float(_quantile(highest, 0.25)) / lowest), _peak_hz(powers, low, stop, bin_hz)
    if spread is None or peak_hz is None:
        return None
    return Line(over, spread, peak_hz / multiple, _line_power(powers, low, stop) / gain)


def _quantile(values: Samples, share: float) -> Samples:
    """Return the value that this share of the rows stay under, for each column."""
    place = int(share * (len(values) - 1))
    return np.asarray(np.partition(values, place, axis=0)[place])


def _has_comb(powers: Samples, low: int, stop: int, level: float, reach: int) -> bool:
    """Return whether a steady line of nearly this level lies within `reach` bins of a line's range."""
    below = powers[:, max(2, low - reach) : low - LOBE_BINS]
    above = powers[:, stop + LOBE_BINS : stop + reach]
    return float(_quantile(np.hstack((below, above)), 0.05).max()) > level * power_from_db(COMB_DB)


def _peak_hz(powers: Samples, low: int, stop: int, bin_hz: float) -> float | None:
    """Return the frequency of the highest bin, by its 25 % quantile over time, where that lies inside the range."""
    level = _quantile(powers[:, low - 2 : stop + 2], 0.25)
    peak = int(level.argmax())
    if not 2 <= peak < 2 + stop - low:
        return None
    before, at, after = np.log(np.maximum(level[peak - 1 : peak + 2], 1e-30)).tolist()
    curvature = before - 2.0 * at + after
    offset = 0.5 * (before - after) / curvature if curvature < 0.0 else 0.0
    return (low - 2 + peak + offset) * bin_hz


def _line_power(powers: Samples, low: int, stop: int) -> float:
    """Return the mean square of a line: the power of its main lobe, at a low quantile over time.

    A sine under a Hann taper has 1.5 times the power of its centre in the whole lobe (its noise bandwidth in bins).
    """
    at = low + powers[:, low:stop].argmax(axis=1)
    lobe = powers[np.arange(len(powers))[:, None], at[:, None] + np.arange(-2, 3)].sum(axis=1) / 1.5
    return 0.5 * float(_quantile(lobe, LEVEL_QUANTILE))
