"""What is left of one signal when another is taken from it through a room: a filter of more than half a second.

So long a filter has too many taps for its normal equations to be written down. They are solved by conjugate gradients,
which only ask for the filter's effect, worked out through the transform; an approximate inverse, the one of the
circulant matrix of the same autocorrelation, makes few rounds do. As in `cancel`, what is left is counted over the half
of the stretches from which the filter was not learnt. Source: Hestenes and Stiefel, Journal of Research of the National
Bureau of Standards, 1952; circulant preconditioning by T. Chan, 1988 (both from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.songset.pairs.excerpts import CORE, WORK_RATE_HZ, Signal
from stager.songset.pairs.lags import Values
from stager.system.cancel import check_stop

BEFORE: Final = WORK_RATE_HZ // 250
"""Taps before the aligned frame, 4 ms."""
TAPS: Final = WORK_RATE_HZ * 6 // 10
"""0.6 s, in which most rooms have died away (own figure)."""
ROUNDS: Final = 24
"""Rounds of conjugate gradients (own figure: more change a depth by less than half a decibel)."""
RIDGE: Final = 1e-3
"""Share of the power that is added to the diagonal."""
MOST_STRETCHES: Final = 6
"""Stretches that are asked, evenly spread (own figure: as many taps as this can be learnt from nine seconds)."""
SIZE: Final = 1 << 16
"""Length of the transforms: the core and the filter's reach before it fit in."""
_FIRST: Final = CORE.start + BEFORE - TAPS + 1
Spectrum = NDArray[np.complex64]


@dataclass(frozen=True)
class _Learnt:
    """Some stretches to learn from: transforms of what goes in, cores of what should come out, (stretches, frames)."""

    spectra: Spectrum
    wanted: NDArray[np.float32]


def room_left_power(ones: Sequence[Signal], others: Sequence[Signal]) -> float:
    """Return the share of the others' power that is left without the ones through a room, 0 to about 1.

    Stretches are aligned, one by one; the halves are every second of them. A single stretch can't be tested: 1.
    """
    picked = np.unique(np.linspace(0, len(ones) - 1, min(len(ones), MOST_STRETCHES)).round().astype(int))
    if len(picked) < 2:
        return 1.0
    halves = [_learnt([ones[k] for k in some], [others[k] for k in some]) for some in (picked[::2], picked[1::2])]
    total = sum(float(np.square(half.wanted, dtype=np.float64).sum()) for half in halves)
    if total <= 0.0:
        return 1.0
    left = 0.0
    for test, taught in zip(halves, halves[::-1], strict=True):
        rest = test.wanted - _filtered(test.spectra, _solved(taught))
        left += float(np.square(rest, dtype=np.float64).sum())
    return max(left / total, 1e-9)


def _learnt(ones: Sequence[Signal], others: Sequence[Signal]) -> _Learnt:
    span = slice(_FIRST, CORE.stop + BEFORE)
    spectra = np.fft.rfft(np.stack([one[span] for one in ones]).astype(np.float32), SIZE, axis=1)
    return _Learnt(spectra.astype(np.complex64), np.stack([other[CORE] for other in others]).astype(np.float32))


def _filtered(spectra: Spectrum, taps: Values) -> NDArray[np.float32]:
    """Return the cores of filter * x, (stretches, frames)."""
    product = spectra * np.fft.rfft(taps.astype(np.float32), SIZE).astype(np.complex64)
    return np.fft.irfft(product, SIZE, axis=1)[:, TAPS - 1 : TAPS - 1 + CORE.stop - CORE.start].astype(np.float32)


def _correlated(spectra: Spectrum, cores: NDArray[np.float32]) -> Values:
    """Return the products of cores with what goes in, (taps,): the transpose of `_filtered`."""
    placed = np.zeros((len(cores), SIZE), np.float32)
    placed[:, TAPS - 1 : TAPS - 1 + cores.shape[1]] = cores
    product = np.conj(spectra) * np.fft.rfft(placed, axis=1)
    return np.asarray(np.fft.irfft(product.sum(axis=0), SIZE)[:TAPS], np.float64)


def _solved(taught: _Learnt) -> Values:
    """Find the filter, (taps,)."""
    inverse, ridge = _inverse(taught.spectra)
    rest = _correlated(taught.spectra, taught.wanted)
    taps = np.zeros(TAPS)
    ahead = _smoothed(rest, inverse)
    direction, height = ahead, float(rest @ ahead)
    for _ in range(ROUNDS if height > 0.0 else 0):
        check_stop()
        effect = _correlated(taught.spectra, _filtered(taught.spectra, direction)) + ridge * direction
        step = height / float(direction @ effect)
        taps, rest = taps + step * direction, rest - step * effect
        ahead = _smoothed(rest, inverse)
        before, height = height, float(rest @ ahead)
        direction = ahead + height / before * direction
    return taps


def _inverse(spectra: Spectrum) -> tuple[Values, float]:
    """Return the inverse of the circulant's eigenvalues, (taps + 1,), and what is added to the diagonal."""
    power = np.square(np.abs(spectra), dtype=np.float64).sum(axis=0)
    auto = np.fft.irfft(power, SIZE)[:TAPS] * np.linspace(1.0, 0.0, TAPS)
    ridge = RIDGE * float(auto[0]) + 1e-30
    around = np.concatenate([auto, [0.0], auto[:0:-1]])
    return 1.0 / (np.maximum(np.fft.rfft(around).real, 0.0) + ridge), ridge


def _smoothed(values: Values, inverse: Values) -> Values:
    return np.asarray(np.fft.irfft(np.fft.rfft(values, 2 * TAPS) * inverse, 2 * TAPS)[:TAPS], np.float64)
