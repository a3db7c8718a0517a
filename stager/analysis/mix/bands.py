"""Energy by band, and what mono loses of each: averaged periodograms (Hann, half overlapped) of both sides.

Mono is (L + R) / 2, held against the mean power of the two: 0 dB for equal sides, -3.01 dB for independent ones.
Source: P. D. Welch, IEEE Trans. Audio and Electroacoustics 15(2), 1967 (from memory), for the averaging; the fold is
worked arithmetic.
"""

from typing import Final

import numpy as np

from stager.meters import Samples
from stager.model.mix import BandFigure
from stager.units import db_from_power

EDGES_HZ: Final = (0.0, 40.0, 120.0, 500.0, 2_000.0, 8_000.0, 16_000.0)
"""Bands: below what small speakers and many rooms play, bass, low middle, middle, high middle, high, top."""
FFT_S: Final = 0.17
SILENT_SHARE: Final = 1e-12


class BandMeter:
    """Sums of power spectra; fed blocks of shape (frames, channels), one channel or two."""

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._rate_hz, self._channels = sample_rate_hz, channels
        self._size = 1 << round(FFT_S * sample_rate_hz).bit_length()
        self._window = np.hanning(self._size + 1)[:-1, None]
        self._rest = np.zeros((0, channels))
        self._sides = np.full((self._size // 2 + 1, 1), np.sqrt(2.0))  # of a real signal's spectrum only half is kept
        self._sides[[0, -1]] = 1.0
        bins = self._size // 2 + 1
        self._powers = np.zeros((bins, channels))
        self._fold = np.zeros(bins)

    def update(self, block: Samples) -> None:
        """Take in the next block."""
        data = np.concatenate((self._rest, block))
        hop, start = self._size // 2, 0
        while len(data) - start >= self._size:
            self._add(data[start : start + self._size])
            start += hop
        self._rest = data[start:]

    def result(self) -> tuple[BandFigure, ...]:
        """Return the figure of each band; the last stretch counts with zeros behind it."""
        if len(self._rest):
            self._add(np.concatenate((self._rest, np.zeros((self._size - len(self._rest), self._channels)))))
            self._rest = self._rest[:0]
        frequencies = np.asarray(np.fft.rfftfreq(self._size, 1.0 / self._rate_hz), np.float64)
        whole = float(self._powers.sum()) / self._channels
        edges = [edge for edge in EDGES_HZ if edge < self._rate_hz / 2.0]
        tops = (*edges[1:], self._rate_hz / 2.0)
        return tuple(self._band(frequencies, low, high, whole) for low, high in zip(edges, tops, strict=True))

    def _add(self, stretch: Samples) -> None:
        spectra = np.fft.rfft(stretch * self._window, axis=0) * self._sides
        self._powers += np.abs(spectra) ** 2
        self._fold += np.abs(spectra.mean(axis=1)) ** 2

    def _band(self, frequencies: Samples, low_hz: float, high_hz: float, whole: float) -> BandFigure:
        inside = (frequencies >= low_hz) & (frequencies < high_hz if high_hz < self._rate_hz / 2.0 else True)
        power, folded = float(self._powers[inside].sum()) / self._channels, float(self._fold[inside].sum())
        share = power / whole if whole else 0.0
        is_silent = share <= SILENT_SHARE
        return BandFigure(
            from_hz=low_hz,
            to_hz=high_hz,
            share=share,
            level_db=None if is_silent else db_from_power(share),
            mono_loss_db=None if is_silent or self._channels != 2 else db_from_power(folded / power),
        )
