"""How much of one signal is left when another is taken from it through the filter that does it best.

With x and y aligned, the filter h of a few taps minimises sum(y - h * x)^2 over the cores of half of the stretches, and
what is left is counted over the other half, and the other way round: a filter that fits only its own stretches gains
nothing. Source: the normal equations of least squares, R h = p, any handbook of signal processing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from stager.songset.pairs.excerpts import CORE, WORK_RATE_HZ, Signal
from stager.songset.pairs.lags import Values
from stager.system.cancel import check_stop
from stager.system.jit import sample_loop

SINC_HALF: Final = 16
"""Half the taps of the interpolator (own figure: errors 80 dB down at 3 kHz, 40 at the band edge)."""


@dataclass(frozen=True)
class Reach:
    """How far a filter may reach: taps before the aligned frame, and all of them.

    `ridge` is the share of the mean power that is added to R's diagonal: what holds a long filter to a plain level
    where the stretches it learnt from had no sound.
    """

    before: int
    taps: int
    ridge: float = 1e-4


GAIN_FRAMES: Final = WORK_RATE_HZ // 10
"""Frames that share a level where hits from one sample have different strength."""
LEVEL: Final = Reach(0, 1)
"""A level alone."""
FILTER: Final = Reach(WORK_RATE_HZ // 250, WORK_RATE_HZ // 125 + 1)
"""An equaliser: 4 ms to both sides (own figure)."""


@dataclass(frozen=True)
class _Moments:
    """R (taps, taps), p (taps,) and the energy of y of some stretches."""

    auto: Values
    cross: Values
    energy: float

    def left_of(self, filter_: Values) -> float:
        """Energy left after taking filter * x."""
        return self.energy - 2.0 * float(filter_ @ self.cross) + float(filter_ @ self.auto @ filter_)


def delayed(signal: Signal, lag_frames: Values, first: int = 0) -> Signal:
    """Return signal(n + lag(n)) by windowed-sinc interpolation for n from `first` on, one for each lag.

    Beyond the signal's ends there is silence.
    """
    out = np.zeros(len(lag_frames), np.float32)
    angles = np.pi * np.arange(1 - SINC_HALF, SINC_HALF + 1) / SINC_HALF
    if len(lag_frames) and float(np.ptp(lag_frames)) == 0.0:
        _moved(signal, first + int(np.floor(lag_frames[0])), _taps(float(lag_frames[0] % 1.0)), out)
    else:
        _interpolate(signal, lag_frames + first, np.stack([np.cos(angles), np.sin(angles)]), out)
    return out


def _taps(part: float) -> Values:
    """Return the interpolator's taps for one place between two frames, (2 * SINC_HALF,)."""
    away = part - np.arange(1 - SINC_HALF, SINC_HALF + 1)
    return np.asarray(np.sinc(away) * np.square(np.cos(0.5 * np.pi * away / SINC_HALF)), np.float64)


def left_power(ones: Sequence[Signal], others: Sequence[Signal], reach: Reach) -> float:
    """Return the share of the others' power that is left without the ones through one filter, 0 to about 1.

    Stretches are aligned, one by one; the halves are every second of them. A single stretch can't be tested: 1.
    """
    halves = [_summed(ones[half::2], others[half::2], reach) for half in (0, 1) if len(ones) > 1]
    total = sum(moments.energy for moments in halves)
    if total <= 0.0:
        return 1.0
    left = sum(test.left_of(_solved(learnt, reach)) for learnt, test in zip(halves, halves[::-1], strict=True))
    return max(float(left / total), 1e-9)


def left_power_tracked(ones: Sequence[Signal], others: Sequence[Signal], reach: Reach) -> float:
    """Return the same with a level fitted to every tenth of a second, as hits triggered from one sample need."""
    if len(ones) < 2:
        return 1.0
    filters = [_solved(_summed(ones[half::2], others[half::2], reach), reach) for half in (1, 0)]
    left = total = 0.0
    for number, (one, other) in enumerate(zip(ones, others, strict=True)):
        made = _through(one, filters[number % 2], reach).reshape(-1, GAIN_FRAMES)
        wanted = other[CORE].astype(np.float64).reshape(-1, GAIN_FRAMES)
        own, both = np.square(made).sum(axis=1), (made * wanted).sum(axis=1)
        energy = np.square(wanted).sum(axis=1)
        left += float(np.sum(energy - both**2 / np.maximum(own, 1e-30)))
        total += float(energy.sum())
    return max(left / total, 1e-9) if total > 0.0 else 1.0


def _through(one: Signal, filter_: Values, reach: Reach) -> Values:
    """Return the core of filter * one, (frames,)."""
    span = one[CORE.start + reach.before - reach.taps + 1 : CORE.stop + reach.before].astype(np.float64)
    size = 1 << (len(span) - 1).bit_length()
    made = np.fft.irfft(np.fft.rfft(span, size) * np.fft.rfft(filter_, size), size)
    return np.asarray(made[reach.taps - 1 : len(span)], np.float64)


def _solved(moments: _Moments, reach: Reach) -> Values:
    """Return the best filter; where x has no sound to fit it to, it is a plain level."""
    taps = len(moments.cross)
    ridge = reach.ridge * float(np.trace(moments.auto)) / taps + 1e-30
    plain = np.zeros(taps)
    plain[reach.before] = moments.cross[reach.before] / (moments.auto[reach.before, reach.before] + 1e-30)
    more = moments.cross - moments.auto @ plain
    _solve_positive(moments.auto + ridge * np.eye(taps), more)
    return np.asarray(plain + more, np.float64)


def _summed(ones: Sequence[Signal], others: Sequence[Signal], reach: Reach) -> _Moments:
    auto, cross, energy = np.zeros((reach.taps, reach.taps)), np.zeros(reach.taps), 0.0
    for one, other in zip(ones, others, strict=True):
        check_stop()
        x, y = one.astype(np.float64), other[CORE].astype(np.float64)
        first, last = CORE.start + reach.before, CORE.stop + reach.before
        _add_auto(x, first, last, _products(x, x[first:last], first, reach.taps), auto)
        cross += _products(x, y, first, reach.taps)
        energy += float(np.square(y).sum())  # not a dot product: a long one wakes threads that then wait for each other
    _mirror(auto)
    return _Moments(auto, cross, energy)


def _products(x: Values, y: Values, first: int, taps: int) -> Values:
    """Return sum over t of y(t) x(first + t - k) for k from 0 to taps - 1."""
    span = x[first - taps + 1 : first + len(y)]
    size = 1 << (len(span) - 1).bit_length()
    sums = np.fft.irfft(np.fft.rfft(span, size) * np.conj(np.fft.rfft(y, size)), size)
    return np.asarray(sums[:taps][::-1], np.float64)


@sample_loop
def _add_auto(x: Values, first: int, last: int, row: Values, auto: Values) -> None:
    """Add R's upper half: its first row, then each diagonal from the element before, less what leaves the stretch."""
    taps = row.shape[0]
    current = row.copy()
    for i in range(taps):
        for j in range(taps - 1, i - 1, -1):
            if i > 0:
                current[j] = current[j - 1] + x[first - i] * x[first - j] - x[last - i] * x[last - j]
            auto[i, j] += current[j]


@sample_loop
def _solve_positive(matrix: Values, right: Values) -> None:
    """Solve a symmetric positive system in place by Cholesky's factors: a small one, for which no threads are woken."""
    size = matrix.shape[0]
    for j in range(size):
        for k in range(j):
            for i in range(j, size):
                matrix[i, j] -= matrix[i, k] * matrix[j, k]
        root = np.sqrt(max(matrix[j, j], 1e-300))
        for i in range(j, size):
            matrix[i, j] /= root
    for i in range(size):
        for k in range(i):
            right[i] -= matrix[i, k] * right[k]
        right[i] /= matrix[i, i]
    for i in range(size - 1, -1, -1):
        for k in range(i + 1, size):
            right[i] -= matrix[k, i] * right[k]
        right[i] /= matrix[i, i]


@sample_loop
def _mirror(auto: Values) -> None:
    """Copy the upper half of a symmetric matrix to its lower one."""
    for i in range(auto.shape[0]):
        for j in range(i):
            auto[i, j] = auto[j, i]


@sample_loop
def _moved(signal: Signal, base: int, taps: Values, out: Signal) -> None:
    """Sum the taps around each place where all places lie alike between two frames."""
    half = taps.shape[0] // 2
    for n in range(out.shape[0]):
        start, value = n + base + 1 - half, 0.0
        for k in range(max(0, -start), min(taps.shape[0], signal.shape[0] - start)):
            value += taps[k] * signal[start + k]
        out[n] = value


@sample_loop
def _interpolate(signal: Signal, lag: Values, steps: Values, out: Signal) -> None:
    """Sum sinc(a) cos^2(pi a / 2 H) over the 2 H frames around each place, a being how far away each is.

    cos^2 is half of 1 + cos(pi a / H), and that cosine comes from the tabled steps, (2, 2 H), by the sum of two angles.
    """
    for n in range(out.shape[0]):
        place = n + lag[n]
        base = int(np.floor(place))
        part, value = place - base, 0.0
        if part == 0.0:
            value = signal[base] if 0 <= base < signal.shape[0] else 0.0
        else:
            cosine, sine = np.cos(np.pi * part / SINC_HALF), np.sin(np.pi * part / SINC_HALF)
            sign = 1.0 if SINC_HALF % 2 == 1 else -1.0
            for k in range(max(1 - SINC_HALF, -base), min(SINC_HALF + 1, signal.shape[0] - base)):
                at = k + SINC_HALF - 1
                taper = 1.0 + cosine * steps[0, at] + sine * steps[1, at]
                value += signal[base + k] * (sign if at % 2 == 0 else -sign) * taper / (part - k)
            value *= 0.5 * np.sin(np.pi * part) / np.pi
        out[n] = value
