"""Correlation and mono loss of two channels in three parts of the spectrum.

Per band, from sums of power spectra and of the cross spectrum: r = Re sum(X* Y) / sqrt(sum |X|^2 sum |Y|^2), and what
folding to (L + R) / 2 does to the mean power of the sides, 0 dB for identical ones, -3.01 for independent ones of equal
level, in general that of (1 + r) / 2 for equal sides. Source: the correlation coefficient and the algebra of a sum;
that spectra give the same sums as samples is Parseval's theorem.

The bands are about three octaves wide on purpose: two microphones at a distance form a comb filter, and over that width
its crests and troughs average to a correlation near zero (empirical: the pairs of the proof "takes").
"""

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.model.condition import Band
from stager.units import db_from_power

BANDS_HZ: Final = (("lows", 40.0, 250.0), ("middle", 250.0, 2000.0), ("highs", 2000.0, 16000.0))
"""Name and edges of each band; what lies outside is ignored."""
NOTHING: Final = 1e-12
"""Power under this part of what it is compared with is rounding error."""

Powers = NDArray[np.float64]


def bands_of(powers: Powers, cross: NDArray[np.complex128], bin_hz: float) -> tuple[Band, ...]:
    """Return the bands of `powers`, (2, bins) summed |X|^2 and |Y|^2, and `cross`, (bins,) summed X* Y."""
    sums = [(name, low, high, _slice(low, high, bin_hz)) for name, low, high in BANDS_HZ]
    total = sum(float(powers[:, at].sum()) for *_, at in sums)
    return tuple(_bands(sums, powers, cross, total))


def _bands(
    sums: list[tuple[str, float, float, slice]], powers: Powers, cross: NDArray[np.complex128], total: float
) -> Iterator[Band]:
    for name, low, high, at in sums:
        left, right = powers[:, at].sum(axis=1).tolist()
        both = float(cross[at].real.sum())
        share = (left + right) / total if total else 0.0
        correlation = loss = None
        if min(left, right) > NOTHING * total:
            correlation = max(-1.0, min(1.0, both / (left * right) ** 0.5))
            folded = (left + right + 2.0 * both) / (2.0 * (left + right))
            loss = db_from_power(folded) if folded > NOTHING else None
        yield Band(name=name, low_hz=low, high_hz=high, power_share=share, correlation=correlation, mono_loss_db=loss)


def _slice(low_hz: float, high_hz: float, bin_hz: float) -> slice:
    return slice(max(1, round(low_hz / bin_hz)), max(1, round(high_hz / bin_hz)))
