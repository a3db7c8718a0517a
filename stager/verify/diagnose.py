"""Says in one sentence how a copy's samples differ from what they should be."""

from itertools import permutations
from typing import Final

import numpy as np

from stager.containers import Gain
from stager.meters import Samples
from stager.model import StreamInfo
from stager.units import db_from_linear
from stager.verify.residual import FLOAT_LSB_BITS, Residual

CLOSE_LSB: Final = 1.6
"""A guess is right where what is left stays under this everywhere: dither and rounding reach 1.5."""
ENOUGH_SAMPLES: Final = 1000
"""So many samples that sound, none of them beyond half a step, are no accident of a dither that was there."""
FARTHEST_SHIFT_FRAMES: Final = 4096
MOST_SWAPPED: Final = 4
LEAST_OFF_DB: Final = 0.0005
"""A gain nearer to the recorded one would read as 0.000."""


def diagnose(found: Residual, gain: Gain, info: StreamInfo) -> str | None:
    """Name the difference, or None where every sample is what the recorded trim gives."""
    if not found.wrong or found.excerpt is None or found.first is None:
        return None
    first_frame, channel = found.first
    at_s = first_frame / info.sample_rate_hz
    before, after = found.excerpt
    says = _guess(before * gain.factor, after, 2.0 ** (1 - (info.valid_bits or FLOAT_LSB_BITS)), gain)
    if says:
        return f"{says} (first seen at {at_s:.3f} s)"
    count = "1 sample is" if found.wrong == 1 else f"{found.wrong} samples are"
    return f"{count} not what the recorded trim gives, the first at {at_s:.3f} s (channel {channel + 1})"


def _guess(ideal: Samples, after: Samples, lsb: float, gain: Gain) -> str | None:
    """Find what was done to the samples; where they differ by no more than dither and rounding, nothing was."""
    if _fits(ideal, after, lsb):
        return _undithered(ideal, after, lsb) if gain.dithered else None
    guesses = (guess(ideal, after, lsb) for guess in (_flipped, _swapped, _shifted, _other_gain))
    return next((says for says in guesses if says), None)


def _fits(ideal: Samples, after: Samples, lsb: float) -> bool:
    return bool(np.abs(after - ideal).max(initial=0.0) <= CLOSE_LSB * lsb)


def _undithered(ideal: Samples, after: Samples, lsb: float) -> str | None:
    plain = np.abs(after - ideal).max() <= 0.5000001 * lsb and np.count_nonzero(ideal) >= ENOUGH_SAMPLES
    return "its samples are rounded without the dither that its sidecar names" if plain else None


def _flipped(ideal: Samples, after: Samples, lsb: float) -> str | None:
    flips = [
        c
        for c in range(ideal.shape[1])
        if _fits(-ideal[:, c], after[:, c], lsb) and not _fits(ideal[:, c], after[:, c], lsb)
    ]
    rest = [c for c in range(ideal.shape[1]) if c not in flips]
    if not flips or not _fits(ideal[:, rest], after[:, rest], lsb):
        return None
    return f"the polarity of channel {', '.join(str(c + 1) for c in flips)} is flipped"


def _swapped(ideal: Samples, after: Samples, lsb: float) -> str | None:
    channels = ideal.shape[1]
    orders = permutations(range(channels)) if 1 < channels <= MOST_SWAPPED else ()
    for order in orders:
        if order != tuple(range(channels)) and _fits(ideal[:, list(order)], after, lsb):
            return "its channels are swapped"
    return None


def _shifted(ideal: Samples, after: Samples, lsb: float) -> str | None:
    """Find the lag at which the first channel matches best, then see whether all match there."""
    size = 2 * len(ideal)
    product = np.fft.irfft(np.fft.rfft(after[:, 0], size) * np.conj(np.fft.rfft(ideal[:, 0], size)), size)
    lag = int(product.argmax())
    lag = lag - size if lag > len(ideal) else lag
    if lag == 0 or abs(lag) > FARTHEST_SHIFT_FRAMES:
        return None
    moved, there = (ideal[:-lag], after[lag:]) if lag > 0 else (ideal[-lag:], after[:lag])
    return f"it is shifted by {lag:+d} frames" if _fits(moved, there, lsb) else None


def _other_gain(ideal: Samples, after: Samples, lsb: float) -> str | None:
    power = float((ideal * ideal).sum())
    ratio = float((ideal * after).sum()) / power if power else 0.0
    off_db = db_from_linear(ratio) or 0.0
    if ratio <= 0.0 or abs(off_db) < LEAST_OFF_DB or not _fits(ideal * ratio, after, lsb):
        return None
    return f"its gain is {off_db:+.3f} dB off the recorded one"
