"""Hum: the mains and its harmonics, in the pauses of a part or under a part that never pauses.

In pauses: while the file passes, the quietest half seconds of each channel are kept at about 2 kHz, at most ten seconds
of them. Of those that lie at least 20 dB under the average, the longest stretch of 1 s or more (of several, the
quietest) is searched: a line counts where it is at least 10 dB over its neighbours and lies at a multiple of 50 or 60
Hz. The fundamental must be among them, or two lines; the strongest must stay within 1 dB of its middle from half second
to half second, as no decaying note does. Where no pause has hum, `mains_lines` searches the whole file.

Source: mains frequency to within 1 % (EN 50160: 99.5 % of the year); 10 dB, 1 dB and the number of harmonics are common
practice, no source. A note within 1 % of the mains frequency that sounds on, evenly, through the pauses is taken for
hum.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np

from stager.detectors.decimation import decimate, decimation_gain, decimation_weights, part_powers
from stager.detectors.mains_lines import LineWindows, mains_lines
from stager.meters.peak import Samples
from stager.units import db_from_power, linear_from_db, power_from_db, power_from_dbfs_rms

DECIMATED_HZ: Final = 2000
SLOT_S: Final = 0.5
MOST_SLOTS: Final = 20
FEWEST_SLOTS: Final = 2
UNDER_AVERAGE_DB: Final = -20.0
SHORT_FILE_DB: Final = (-20.0, -15.0, -10.0, -5.0, 0.0, 6.0)
"""The same, one after the other, in a file that is too short for `mains_lines`: hum is no less hum where it is louder
than pauses are, or is all there is."""
MAINS_HZ: Final = (50.0, 60.0)
TOLERANCE: Final = 0.01
SPREAD: Final = 0.004
"""Relative difference between the mains frequencies that two lines of one hum imply, at most."""
HARMONICS: Final = range(1, 9)
PROMINENCE_DB: Final = 10.0
STEADY_DB: Final = 1.0
LOWEST_DBFS: Final = -95.0
"""Hum under this is inaudible: it lies under the noise of a dithered 16-bit grid (-93 dBFS)."""
NEIGHBOURS_HZ: Final = (4.0, 12.0)
PADDING: Final = 8


@dataclass(frozen=True)
class Hum:
    """Mean square of the lines of hum, and the mains frequency that they are multiples of."""

    power: float
    mains_hz: float


@dataclass(frozen=True, eq=False)
class Slot:
    """Half a second of one channel at the low rate; `loudest_power` is that of its loudest 100 ms at the full rate."""

    index: int
    loudest_power: float
    samples: Samples


class HumMeter:
    """Keeps the quietest half seconds of each channel, and searches them in `result`."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._step = max(1, round(sample_rate_hz / DECIMATED_HZ))
        self._rate_hz = sample_rate_hz / self._step
        self._weights = decimation_weights(self._step)
        self._state = np.zeros((channels, 6))
        self._rows: list[Samples] = []
        self._row_count = self._slot_index = 0
        self._slots: list[list[Slot]] = [[] for _ in range(channels)]
        self._windows = LineWindows(self._rate_hz)

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        done = (int(self._state[0, 5]) + len(block)) // self._step
        rows = np.empty((done, block.shape[1], 3))
        decimate(block, self._weights, self._state, rows)
        self._windows.add(rows[:, :, 0])
        self._rows.append(rows)
        self._row_count += done
        length = round(SLOT_S * self._rate_hz)
        if self._row_count >= length:
            rows = np.concatenate(self._rows)
            for start in range(0, len(rows) - length + 1, length):
                self._keep(rows[start : start + length])
            self._rows = [rows[len(rows) - len(rows) % length :]]
            self._row_count = len(self._rows[0])

    def result(self, channel: int, part_power: float | None) -> Hum | None:
        """Return the hum of one channel, given the mean square of its average, or None."""
        if part_power is None:
            return None
        limits_db = (UNDER_AVERAGE_DB,) if self._windows.are_enough else SHORT_FILE_DB
        tries = (self._in_pauses(channel, part_power * power_from_db(limit_db)) for limit_db in limits_db)
        found = next((hum for hum in tries if hum), None)
        if found is None and (lines := mains_lines(self._windows.of(channel), self._rate_hz, self._step, part_power)):
            found = Hum(*lines)
        return found if found and found.power >= power_from_dbfs_rms(LOWEST_DBFS) else None

    def _in_pauses(self, channel: int, limit: float) -> Hum | None:
        """Return the hum of one channel where it never exceeds this mean square, or None."""
        quiet = sorted((slot for slot in self._slots[channel] if slot.loudest_power <= limit), key=lambda s: s.index)
        stretch = max(_stretches(quiet), key=_worth, default=[])
        if len(stretch) < FEWEST_SLOTS:
            return None
        found = [_search([slot.samples for slot in stretch], mains, self._rate_hz, self._step) for mains in MAINS_HZ]
        return max((hum for hum in found if hum), key=lambda hum: hum.power, default=None)

    def _keep(self, rows: Samples) -> None:
        """Keep a half second of each channel if it is among the quietest; rows are (value, energy, sum) by channel."""
        for channel, slots in enumerate(self._slots):
            loudest, quietest = part_powers(rows[:, channel], self._step)
            if quietest > 0.0:
                slots.append(Slot(self._slot_index, loudest, rows[:, channel, 0].copy()))
            if len(slots) > MOST_SLOTS:
                slots.remove(max(slots, key=lambda slot: (round(db_from_power(slot.loudest_power) or 0.0), slot.index)))
        self._slot_index += 1


def _stretches(slots: Sequence[Slot]) -> Iterator[list[Slot]]:
    """Yield the groups of slots that follow each other without a gap."""
    for _, group in groupby(enumerate(slots), key=lambda pair: pair[1].index - pair[0]):
        yield [slot for _, slot in group]


def _worth(stretch: Sequence[Slot]) -> tuple[int, float]:
    """Return the rank of a stretch: a longer one is better, and of two of one length the quieter."""
    return len(stretch), -max(slot.loudest_power for slot in stretch)


def _search(slots: Sequence[Samples], mains_hz: float, rate_hz: float, step: int) -> Hum | None:
    """Return the hum of one mains frequency in these slots, or None."""
    spectrum = _spectrum(np.concatenate(slots), rate_hz)
    lines = {n: line for n in HARMONICS if (line := _line(spectrum, n * mains_hz))}
    if not lines:
        return None
    strongest = max(lines, key=lambda n: lines[n][1])
    mains_found_hz = lines[strongest][0] / strongest
    lines = {n: line for n, line in lines.items() if abs(line[0] / n - mains_found_hz) <= SPREAD * mains_found_hz}
    if (1 not in lines and len(lines) < 2) or not _is_steady(slots, lines[strongest][0], rate_hz):
        return None
    power = sum(
        (amplitude / decimation_gain(frequency, rate_hz, step)) ** 2 / 2.0 for frequency, amplitude in lines.values()
    )
    return Hum(power, mains_hz) if power >= power_from_dbfs_rms(LOWEST_DBFS) else None


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Amplitudes of a stretch, scaled so that a sine of amplitude a reads a; bins lie `bin_hz` apart."""

    amplitudes: Samples
    bin_hz: float

    def between(self, low_hz: float, high_hz: float) -> slice:
        """Return the bins from one frequency to another."""
        return slice(max(1, round(low_hz / self.bin_hz)), max(2, round(high_hz / self.bin_hz) + 1))


def _spectrum(samples: Samples, rate_hz: float) -> Spectrum:
    window = np.hanning(len(samples) + 1)[:-1]
    padded = PADDING * len(samples)
    amplitudes = np.abs(np.fft.rfft((samples - samples.mean()) * window, padded)) * (2.0 / window.sum())
    return Spectrum(amplitudes, rate_hz / padded)


def _line(spectrum: Spectrum, frequency_hz: float) -> tuple[float, float] | None:
    """Return the line at this frequency as (frequency, amplitude), or None where none stands out."""
    near = spectrum.between(frequency_hz * (1.0 - TOLERANCE), frequency_hz * (1.0 + TOLERANCE))
    peak = near.start + int(spectrum.amplitudes[near].argmax())
    gap_hz, far_hz = NEIGHBOURS_HZ
    if (
        spectrum.amplitudes[spectrum.between(frequency_hz - gap_hz, frequency_hz + gap_hz)].max()
        > spectrum.amplitudes[peak]
    ):
        return None  # the slope, or a side lobe, of another tone
    below = spectrum.amplitudes[spectrum.between(frequency_hz - far_hz, frequency_hz - gap_hz)]
    above = spectrum.amplitudes[spectrum.between(frequency_hz + gap_hz, frequency_hz + far_hz)]
    floor = max(float(below.max()), float(above.max()))
    amplitude = float(spectrum.amplitudes[peak])
    return (peak * spectrum.bin_hz, amplitude) if amplitude >= floor * linear_from_db(PROMINENCE_DB) else None


def _is_steady(slots: Sequence[Samples], frequency_hz: float, rate_hz: float) -> bool:
    """Return whether a line keeps its level from half second to half second."""
    turns = np.exp(-2j * np.pi * frequency_hz / rate_hz * np.arange(len(slots[0]))) * np.hanning(len(slots[0]))
    powers = [float(np.abs((slot - slot.mean()) @ turns) ** 2) for slot in slots]
    spread = db_from_power(max(powers) / min(powers)) if min(powers) > 0.0 else None
    return spread is not None and spread <= 2.0 * STEADY_DB
