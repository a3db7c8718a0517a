"""Whether one stem is the other shifted in pitch by a few cents, with its timing kept.

A shifter plays the same waveform a little faster and mends the time by splices. So no line holds over all windows, and
a filter cancels nothing; but within a window the waveforms agree once one is resampled by the right ratio. Two
performances agree no better at another pitch. Source: 1,200 cents are an octave, any handbook of acoustics.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.songset.pairs.align import EDGE_FRAMES, NEAR_FRAMES
from stager.songset.pairs.cancel import delayed
from stager.songset.pairs.excerpts import CORE, STRETCH_S, WORK_RATE_HZ, Signal
from stager.songset.pairs.lags import WINDOW_FRAMES, correlations, peaks, window_starts
from stager.system.cancel import check_stop

MOST_CENTS: Final = 10
"""Cents up and down that are tried, one by one (own figure: a copy is detuned by 3 to 9 to sound like a double)."""
MOST_STRETCHES: Final = 2
LEAST_R: Final = 0.8
"""Median correlation of the windows at the right pitch, at least (own figure: shifted copies have 0.84 and more)."""
LEAST_GAIN: Final = 0.08
"""By how much it must exceed that at the stems' own pitch (own figure: played twice, it gains 0.03)."""
Plays = NDArray[np.bool_]


def pitch_shift_cents(ones: Sequence[Signal], others: Sequence[Signal], playing: Plays) -> float | None:
    """Return by how many cents the second stem is higher; None where no shift makes its waveform the first's.

    `ones` and `others` are flattened stretches, `playing` is (stretches, windows), whether the first plays there.
    """
    picked = np.unique(np.linspace(0, len(ones) - 1, min(len(ones), MOST_STRETCHES)).round().astype(int)).tolist()
    starts = [window_starts()[::2][playing[k][::2]] for k in picked]
    if not sum(len(some) for some in starts):
        return None
    shifts = np.arange(-MOST_CENTS, MOST_CENTS + 1)
    medians = []
    for cents in shifts:
        check_stop()
        r = [_correlation(ones[k], others[k], int(cents), some) for k, some in zip(picked, starts, strict=True)]
        medians.append(float(np.median(np.concatenate(r))))
    best, own = int(np.argmax(medians)), medians[MOST_CENTS]
    is_shifted = medians[best] >= max(LEAST_R, own + LEAST_GAIN)
    return -float(shifts[best]) if is_shifted else None


def _correlation(one: Signal, other: Signal, cents: int, starts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the largest |r| of each window with the second stem's pitch moved by some cents around its middle."""
    edge = EDGE_FRAMES + NEAR_FRAMES
    first, last = CORE.start - edge, CORE.stop + edge
    moved = np.zeros(len(other), np.float32)
    away = np.arange(first, last) - 0.5 * STRETCH_S * WORK_RATE_HZ
    moved[first:last] = delayed(other, away * (2.0 ** (cents / 1200.0) - 1.0), first)
    return np.abs(peaks(correlations(one, moved, starts, WINDOW_FRAMES, NEAR_FRAMES))[1])
