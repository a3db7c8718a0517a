"""The compiled loops that find splices: what can't be predicted from the samples before it.

`row` is one channel of a window, `errors` the size of the prediction error of each of its samples.
"""

from typing import Final

import numpy as np

from stager.meters.lanes import largest_abs
from stager.meters.peak import Samples
from stager.system.jit import sample_loop

ORDER: Final = 32
"""Coefficients of the predictor: sixteen resonances (common practice for speech and music, no source)."""
GUARD: Final = ORDER + 8
"""Samples on each side of a prediction error that belong to it: a predictor sees what it did not expect that long."""
WHITENING: Final = 1e-9
"""Part of the power that is added as white noise, so that a pure tone has a predictor too."""
LEAST_SOUND_LINEAR: Final = 0.002
"""Sound under it is as soft as the noise of a room (-54 dBFS); nothing is looked for in it."""
LEAST_STEP_LINEAR: Final = 0.0005
"""A smaller error is not heard (own figure: -66 dBFS)."""
LEAST_ERROR_LINEAR: Final = 1e-7
"""Prediction errors under it are rounding: a step of 24 bits."""


@sample_loop
def predict(row: Samples, errors: Samples, start: int, stop: int, taper: Samples) -> None:
    """Write the prediction error of the samples from `start` to `stop`, by a predictor fitted to what lies around them.

    Linear prediction by the autocorrelation method (J. Makhoul, Proceedings of the IEEE 63(4), 1975, from memory).
    """
    if largest_abs(row[start:stop]) < LEAST_SOUND_LINEAR:
        return
    length = taper.shape[0]
    first = (start + stop - length) // 2
    tapered = np.zeros(length + ORDER)
    for i in range(length):
        tapered[i] = row[first + i] * taper[i]
    powers = np.empty(ORDER + 1)
    for k in range(ORDER + 1):
        powers[k] = _product_sum(tapered, tapered[k:], length)
    weights = _weights(powers)
    found = row[start:stop].copy()
    for k in range(1, ORDER + 1):
        weight = weights[k]
        for i in range(stop - start):
            found[i] += weight * row[start + i - k]
    for i in range(stop - start):
        errors[start + i] = abs(found[i])


@sample_loop
def _product_sum(first: Samples, second: Samples, frames: int) -> float:
    """Return the sum of the products of two stretches, in lanes; `frames` is a multiple of 8."""
    a = b = c = d = e = f = g = h = 0.0
    for i in range(0, frames, 8):
        a, b = a + first[i] * second[i], b + first[i + 1] * second[i + 1]
        c, d = c + first[i + 2] * second[i + 2], d + first[i + 3] * second[i + 3]
        e, f = e + first[i + 4] * second[i + 4], f + first[i + 5] * second[i + 5]
        g, h = g + first[i + 6] * second[i + 6], h + first[i + 7] * second[i + 7]
    return ((a + b) + (c + d)) + ((e + f) + (g + h))


@sample_loop
def _weights(powers: Samples) -> Samples:
    """Return the predictor of an autocorrelation by Levinson's recursion; element 0 is 1."""
    weights, before = np.zeros(ORDER + 1), np.zeros(ORDER + 1)
    weights[0] = 1.0
    left = powers[0] * (1.0 + WHITENING)
    for k in range(1, ORDER + 1):
        if left <= 0.0:
            break
        found = powers[k]
        for j in range(1, k):
            found += weights[j] * powers[k - j]
        reflection = -found / left
        for j in range(1, k):
            before[j] = weights[j]
        for j in range(1, k):
            weights[j] = before[j] + reflection * before[k - j]
        weights[k] = reflection
        left *= 1.0 - reflection * reflection
    return weights


@sample_loop
def keep_largest(row: Samples, errors: Samples, start: int, stop: int, look: int, first: int, found: Samples) -> None:
    """Keep the largest prediction error of a stretch, where it stands out and is among the most outstanding so far.

    A row of `found` is the ratio to any other error within `look` frames, the frame, the error, the largest errors
    before and after it, and the mean squares of the sound there.
    """
    at = start
    for i in range(start + 1, stop):
        if errors[i] > errors[at]:
            at = i
    slot = 0
    for i in range(1, found.shape[0]):
        if found[i, 0] < found[slot, 0]:
            slot = i
    before = behind = LEAST_ERROR_LINEAR
    for i in range(GUARD, look):
        before, behind = max(before, errors[at - i]), max(behind, errors[at + i])
    if errors[at] < LEAST_STEP_LINEAR:
        return
    ratio = errors[at] / max(before, behind)
    if ratio <= found[slot, 0] or not _is_largest(errors, at):
        return
    left = right = 0.0
    for i in range(GUARD, look):
        left += row[at - i] * row[at - i]
        right += row[at + i] * row[at + i]
    found[slot, 0], found[slot, 1], found[slot, 2] = ratio, first + at, errors[at]
    found[slot, 3], found[slot, 4] = before, behind
    found[slot, 5], found[slot, 6] = left / (look - GUARD), right / (look - GUARD)


@sample_loop
def _is_largest(errors: Samples, at: int) -> bool:
    """Return whether no error beside this one is larger; it may begin in the stretch before."""
    largest = 0.0
    for i in range(1, GUARD):
        largest = max(largest, errors[at - i], errors[at + i])
    return bool(largest <= errors[at])
