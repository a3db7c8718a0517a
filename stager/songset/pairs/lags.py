"""The lag between two signals, window by window, by normalised cross-correlation of spectrally flattened signals.

For a window x and every lag in reach, r(lag) = sum(x y_lag) / sqrt(sum(x^2) sum(y_lag^2)); its largest magnitude is the
similarity, its sign the polarity, and a parabola through the three values around it gives the lag between frames. Both
signals are first divided by the smoothed magnitude of their own average spectrum, so that a filter on one of them
counts little. Source: the generalised correlation method of Knapp and Carter, IEEE Transactions on Acoustics, Speech
and Signal Processing, 1976 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.songset.pairs.excerpts import CORE, WORK_RATE_HZ, Signal

Values = NDArray[np.float64]
Frames = NDArray[np.int64]

WINDOW_FRAMES: Final = WORK_RATE_HZ // 5
"""A window of 0.2 s (own figure: a note or a syllable)."""
HOP_FRAMES: Final = WORK_RATE_HZ // 10
SMOOTH_HZ: Final = 100
"""Width over which a spectrum is smoothed before it is divided by (own figure: above the spacing of low harmonics)."""
FLOOR_POWER: Final = 1e-4
"""Share of a spectrum's strongest part up to which weak parts are raised, 40 dB (own figure: under it is noise)."""
REST_POWER: Final = 1e-4
"""Share of the loudest window's power under which a window is a rest, 40 dB (own figure)."""


@dataclass(frozen=True)
class WindowLags:
    """The lag of each window; all arrays are (windows,).

    Its middle in s on the first signal's time line, its lag in s (how much later the second signal is), and r there
    with its sign.
    """

    at_s: Values
    lag_s: Values
    r: Values


def flattened(signals: Sequence[Signal]) -> list[Signal]:
    """Divide stretches of one stem by the smoothed magnitude of their average spectrum; phases stay."""
    spectra = [np.fft.rfft(signal) for signal in signals]
    power = np.stack([np.square(np.abs(spectrum), dtype=np.float64) for spectrum in spectra]).mean(axis=0)
    bins = SMOOTH_HZ * len(signals[0]) // WORK_RATE_HZ
    sums = np.concatenate([[0.0], np.cumsum(np.pad(power, bins // 2, mode="edge"))])
    smooth = np.maximum(sums[bins:] - sums[:-bins], 0.0)[: len(power)] / bins
    weight = (1.0 / np.sqrt(smooth + FLOOR_POWER * smooth.max() + 1e-30)).astype(np.float32)
    return [np.fft.irfft(spectrum * weight, len(signals[0])).astype(np.float32) for spectrum in spectra]


def window_starts() -> Frames:
    """Return the first frames of a stretch's windows, half overlapping; the last one ends with its core."""
    return np.arange(CORE.start, CORE.stop - WINDOW_FRAMES + 1, HOP_FRAMES)


def window_powers(signals: Sequence[Signal], starts: Frames, frames: int) -> Values:
    """Return the energy of every window of all stretches, (stretches, windows)."""
    squares = np.cumsum([np.square(signal, dtype=np.float64) for signal in signals], axis=1)
    return np.asarray(squares[:, starts + frames - 1] - squares[:, starts - 1], np.float64)


def correlations(one: Signal, other: Signal, starts: Frames, frames: int, reach: int) -> Values:
    """Return r(lag) of windows that begin at these frames, (windows, 2 * reach + 1), for lags from -reach to +reach.

    Windows and lags must lie inside both signals.
    """
    size = frames + 2 * reach
    windows = one[starts[:, None] + np.arange(frames)]
    around = other[starts[:, None] - reach + np.arange(size)]
    fast = _fast_size(size)
    product = np.fft.rfft(around, fast, axis=1) * np.conj(np.fft.rfft(windows, fast, axis=1))
    sums = np.fft.irfft(product, fast, axis=1)[:, : 2 * reach + 1]
    energy = np.cumsum(np.pad(np.square(around, dtype=np.float64), ((0, 0), (1, 0))), axis=1)
    local = energy[:, frames:] - energy[:, : 2 * reach + 1]
    own = np.sum(np.square(windows, dtype=np.float64), axis=1, keepdims=True)
    floor = REST_POWER * 1e-2 * float(local.max(initial=0.0)) + 1e-30
    return np.asarray(sums / np.sqrt((own + 1e-30) * (local + floor)), np.float64)


def peaks(values: Values) -> tuple[Values, Values]:
    """Return, for each row of r(lag), the lag in frames of its largest magnitude, and r there with its sign."""
    middle = values.shape[1] // 2
    at = np.clip(np.argmax(np.abs(values), axis=1), 1, values.shape[1] - 2)
    row = np.arange(len(values))
    before, here, after = values[row, at - 1], values[row, at], values[row, at + 1]
    curvature = before - 2.0 * here + after
    shift = np.clip(0.5 * (before - after) / np.where(curvature == 0.0, np.inf, curvature), -0.5, 0.5)
    return at + shift - middle, here - 0.25 * (before - after) * shift


def _fast_size(size: int) -> int:
    """Return the smallest length 2^n, 3 * 2^n or 5 * 2^n that is at least `size`."""
    return min(factor << max(0, (-(-size // factor) - 1).bit_length()) for factor in (1, 3, 5))
