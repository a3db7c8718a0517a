"""The delay between the two sides of a stereo file, their relative polarity, and what they have in common.

The delay is the highest peak, up or down, of the generalised cross-correlation with phase transform (C. Knapp and
G. Carter, "The Generalized Correlation Method for Estimation of Time Delay", IEEE Trans. ASSP 24 (4), 1976), with
the cross spectrum divided by the 0.8th power of its magnitude, so that bins with nothing but noise weigh less. It is
averaged over windows of about 0.7 s where both sides play. A second pass weights each bin by a power of its coherence
(magnitude squared, after the same article; over neighbouring bins, with the first delay removed), so that reflections,
and noise between the partials of a bell, no longer move the peak. A downward peak means opposite polarity. A steady
tone has no single delay: where another peak within 100 ms is nearly as high, or the highest is over 20 ms away, none is
reported. Thresholds are empirical: the pairs of
the proof "takes".
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.detectors.loudest_windows import LoudestWindows
from stager.detectors.stereo_bands import bands_of
from stager.meters.peak import Samples
from stager.model.condition import Microphones
from stager.system.jit import sample_loop

WINDOW_S: Final = 0.7
LONGEST_DELAY_S: Final = 0.020
"""7 m of sound path, the longest delay between two microphones that is reported."""
SEARCHED_S: Final = 0.100
"""Delays that are searched: a file whose sides are further apart than the longest has no number, not a wrong one."""
LOWEST_HZ: Final = 60.0
WHITENING: Final = 0.8
SHARPEST: Final = 1.4
"""The peak over the next one, at least: wrong peaks of a steady tone reach 1.4, pairs in rooms 2 (empirical: takes)."""
LOWEST_PEAK: Final = 0.08
"""A lower peak is bleed between microphones; sides that are one sound reach 1.0 (empirical: takes)."""
LEAST_SHARED: Final = 0.25
"""Correlation of the sides with the delay removed, at least (empirical: takes)."""
COHERENT_BINS: Final = 6
"""Bins on each side over which coherence is taken: about 9 Hz (empirical: takes)."""
EXACT_BINS: Final = 64
"""Bins between two exact evaluations of the phase."""
COHERENCE_POWER: Final = 3
"""Power of the coherence by which a bin is weighted (empirical: takes, bells in rooms)."""
MOST_REST: Final = 0.49
"""Distance of an interpolated peak from the highest whole frame, at most."""
BESIDE_S: Final = 0.0005
"""Values nearer to the peak than this belong to it."""


class MicrophoneMeter:
    """Compares the sides of a stereo file; other files have no result and cost nothing.

    The level of every sample is measured, and about 40 windows of a four-minute file are analysed.
    """

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._rate_hz = sample_rate_hz
        frames = 1 << max(6, round(WINDOW_S * sample_rate_hz).bit_length() - 1)
        self._frames_seen, self._identical = 0, True
        self._windows = LoudestWindows(frames) if channels == 2 else None
        self._sums = _Sums.nothing(frames if channels == 2 else 0)

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        if self._windows is None:
            return
        self._frames_seen += len(block)
        self._identical = self._identical and bool((block[:, 0] == block[:, 1]).all())
        for window in self._windows.update(block):
            self._sums.add(window)

    def result(self) -> Microphones | None:
        """Return how the sides relate to each other; None where there are not two."""
        if self._windows is None or not self._frames_seen:
            return None
        sums, last = self._sums.copy(), self._windows.rest()
        if last is not None:
            sums.add(last)
        delay, inverted, sharpness = _delay(sums, self._rate_hz) if sums.count else (None, None, None)
        return Microphones(
            identical=self._identical,
            delay_frames=delay,
            delay_s=None if delay is None else delay / self._rate_hz,
            inverted=inverted,
            sharpness=sharpness,
            windows=sums.count,
            bands=bands_of(sums.powers, sums.cross, self._rate_hz / len(sums.taper)) if sums.count else (),
        )


@dataclass(eq=False)
class _Sums:
    """Power spectra, (2, bins), cross spectrum and whitened cross spectrum, (bins,), added up over windows."""

    taper: Samples
    powers: Samples
    cross: NDArray[np.complex128]
    whitened: NDArray[np.complex128]
    count: int = 0

    @classmethod
    def nothing(cls, frames: int) -> "_Sums":
        """Return the sums before the first window of this many frames."""
        bins = frames // 2 + 1
        return cls(_taper(frames), np.zeros((2, bins)), np.zeros(bins, np.complex128), np.zeros(bins, np.complex128))

    def copy(self) -> "_Sums":
        """Return independent sums with the same values."""
        return _Sums(self.taper, self.powers.copy(), self.cross.copy(), self.whitened.copy(), self.count)

    def add(self, window: Samples) -> None:
        """Add one window, (frames, 2); the taper makes its ends meet, so that no zero padding is needed."""
        sides = np.empty((2, len(window)))
        _tapered(window, self.taper, sides)
        spectra = np.fft.rfft(sides)
        cross = spectra[0].conj() * spectra[1]
        size = np.abs(cross)
        self.powers += spectra.real**2 + spectra.imag**2
        self.cross += cross
        whitened = cross / np.maximum(size, max(float(size.max()), 1e-300) * 1e-15) ** WHITENING
        self.whitened += whitened / max(float(np.abs(whitened).sum()), 1e-300)
        self.count += 1


def _delay(sums: _Sums, rate_hz: int) -> tuple[float | None, bool | None, float | None]:
    """Return (frames by which the right is late, inverted, sharpness); None, None where no delay stands out.

    The delayed sound must also be much of the whole: sides that share only the onsets of notes have a sharp peak, and
    are no pair.
    """
    first = _near(sums.whitened, LOWEST_HZ, rate_hz)
    if first is None:
        return None, None, None
    reach = len(first) // 2
    agreeing = sums.whitened * _coherence(sums, int(np.abs(first).argmax()) - reach) ** COHERENCE_POWER
    curve = _near(agreeing, LOWEST_HZ, rate_hz)
    curve = first if curve is None else curve
    best = int(np.abs(curve).argmax())
    beside = max(1, round(BESIDE_S * rate_hz))
    others = np.abs(curve)
    others[max(0, best - beside) : best + beside + 1] = 0.0
    sharpness = float(abs(curve[best])) / max(float(others.max()), 1e-12)
    if sharpness < SHARPEST or abs(curve[best]) < LOWEST_PEAK or abs(best - reach) > LONGEST_DELAY_S * rate_hz:
        return None, None, sharpness
    sign = 1.0 if curve[best] > 0.0 else -1.0
    if sign * _shared(sums, best, rate_hz) < LEAST_SHARED:
        return None, None, sharpness
    return best - reach + _vertex_offset(curve, best), sign < 0.0, sharpness


def _vertex_offset(curve: Samples, best: int) -> float:
    """Return the offset, within half a frame, of the vertex of the parabola through a peak and its neighbours."""
    if not 0 < best < len(curve) - 1:
        return 0.0
    before, peak, behind = np.abs(curve[best - 1 : best + 2]).tolist()
    curvature = before - 2.0 * peak + behind
    return max(-MOST_REST, min(MOST_REST, 0.5 * (before - behind) / curvature)) if curvature < 0.0 else 0.0


def _shared(sums: _Sums, place: int, rate_hz: int) -> float:
    """Return the correlation of the sides, without their means, with the delay at this index of the curve removed."""
    whole = sums.cross * (np.arange(len(sums.cross)) > 0)
    curve = _near(whole, 0.0, rate_hz)
    left, right = sums.powers[:, 1:].sum(axis=1).tolist()
    return (
        0.0 if curve is None else float(curve[place]) * float(np.abs(whole).sum()) / max((left * right) ** 0.5, 1e-300)
    )


def _coherence(sums: _Sums, delay_frames: int) -> Samples:
    """Return the magnitude-squared coherence of each bin, over its neighbours, with this delay removed."""
    coherence = np.empty(len(sums.cross))
    _cohere(sums.cross, sums.powers, np.hanning(2 * COHERENT_BINS + 3)[1:-1], delay_frames, coherence)
    return coherence


def _near(spectrum: NDArray[np.complex128], lowest_hz: float, rate_hz: int) -> Samples | None:
    """Return the correlation at the delays that are searched, 1 where all bins agree; None for an empty spectrum."""
    frames = 2 * (len(spectrum) - 1)
    used = spectrum * (np.arange(len(spectrum)) >= lowest_hz * frames / rate_hz)
    total = float(np.abs(used).sum())
    if not total:
        return None
    curve = np.fft.irfft(used, frames) * (frames / 2.0 / total)
    reach = min(round(SEARCHED_S * rate_hz), frames // 2 - 1)
    return np.concatenate((curve[frames - reach :], curve[: reach + 1]))


@cache
def _taper(frames: int) -> Samples:
    """Return the window that each side is multiplied by."""
    taper = np.hanning(frames + 1)[:-1]
    taper.flags.writeable = False
    return taper


@sample_loop
def _tapered(window: Samples, taper: Samples, sides: Samples) -> None:
    """Write both sides of a window, (frames, 2), their means removed and tapered, as (2, frames)."""
    frames = window.shape[0]
    for side in range(2):
        mean = 0.0
        for i in range(frames):
            mean += window[i, side]
        mean /= frames
        for i in range(frames):
            sides[side, i] = (window[i, side] - mean) * taper[i]


@sample_loop
def _cohere(
    cross: NDArray[np.complex128], powers: Samples, weights: Samples, delay_frames: int, coherence: Samples
) -> None:
    """Write the coherence of each bin over its neighbours with these weights, a delay removed before.

    The phase advances from bin to bin by a product, evaluated exactly every `EXACT_BINS` against rounding.
    """
    bins, reach = cross.shape[0], weights.shape[0] // 2
    room = np.zeros((4, bins + 2 * reach))
    real, imag, left, right = room[0], room[1], room[2], room[3]
    step = np.pi * delay_frames / (bins - 1)
    across, up = np.cos(step), np.sin(step)
    turn_across, turn_up = 1.0, 0.0
    for k in range(bins):
        if k % EXACT_BINS == 0:
            turn_across, turn_up = np.cos(step * k), np.sin(step * k)
        x, y = cross[k].real, cross[k].imag
        real[k + reach], imag[k + reach] = x * turn_across - y * turn_up, x * turn_up + y * turn_across
        left[k + reach], right[k + reach] = powers[0, k], powers[1, k]
        turn_across, turn_up = turn_across * across - turn_up * up, turn_across * up + turn_up * across
    for k in range(bins):
        a = b = one = other = 0.0
        for near in range(weights.shape[0]):
            weight = weights[near]
            a += weight * real[k + near]
            b += weight * imag[k + near]
            one += weight * left[k + near]
            other += weight * right[k + near]
        coherence[k] = min(1.0, (a * a + b * b) / max(one * other, 1e-300))
