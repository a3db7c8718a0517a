"""Decimation to about 2 kHz by three moving averages in series, with the energy at the full rate beside it."""

from typing import Final

import numpy as np

from stager.meters.peak import Samples
from stager.system.jit import sample_loop

PARTS: Final = 5
"""Parts of a slot whose powers are compared: 100 ms each."""


def decimation_gain(frequency_hz: float, rate_hz: float, step: int) -> float:
    """Return the gain of the decimation for a tone, linear."""
    angle = np.pi * frequency_hz / rate_hz
    return float((np.sin(angle) / (step * np.sin(angle / step))) ** 3)


def decimation_weights(step: int) -> Samples:
    """Return the weights, (step, 4), of an input sample in the next three outputs and in the plain sum.

    The filter is three moving averages in series.
    """
    box = np.ones(step) / step
    taps = np.zeros(3 * step)
    taps[: 3 * step - 2] = np.convolve(np.convolve(box, box), box)
    return np.ascontiguousarray(np.vstack((taps.reshape(3, step)[:, ::-1], np.ones(step))).T)


@sample_loop
def decimate(block: Samples, weights: Samples, state: Samples, rows: Samples) -> None:
    """Write (value, energy, sum) of each whole step; `state` holds three partial values, sum, energy and position."""
    step = weights.shape[0]
    for channel in range(block.shape[1]):
        own, start, place, row = state[channel], 0, int(state[channel, 5]), 0
        while start < block.shape[0]:
            stop = min(block.shape[0], start + step - place)
            _add_step(block[start:stop, channel], weights[place:], own)
            place, start = place + stop - start, stop
            if place == step:
                rows[row, channel, 0], rows[row, channel, 1], rows[row, channel, 2] = own[0], own[4], own[3]
                own[0], own[1], own[2], own[3], own[4] = own[1], own[2], 0.0, 0.0, 0.0
                place, row = 0, row + 1
        own[5] = place


@sample_loop
def part_powers(rows: Samples, step: int) -> tuple[float, float]:
    """Return the largest mean square of a fifth of these rows, less the square of their mean, and the smallest."""
    largest, smallest, mean, start = 0.0, np.inf, 0.0, 0
    for part in range(PARTS):
        stop = start + rows.shape[0] // PARTS + (part < rows.shape[0] % PARTS)
        energy = total = 0.0
        for i in range(start, stop):
            energy += rows[i, 1]
            total += rows[i, 2]
        power = energy / (stop - start) / step
        largest, smallest = max(largest, power), min(smallest, power)
        mean += total / (stop - start) / step
        start = stop
    mean /= PARTS
    return max(0.0, largest - mean * mean), smallest


@sample_loop
def _add_step(part: Samples, weights: Samples, sums: Samples) -> None:
    """Add a part of one step to the sums: weighted for this output and the next two, plain, and squared."""
    a, b, c, total, energy = sums[0], sums[1], sums[2], sums[3], sums[4]
    for i in range(part.shape[0]):
        x = part[i]
        a += x * weights[i, 0]
        b += x * weights[i, 1]
        c += x * weights[i, 2]
        total += x * weights[i, 3]
        energy += x * x
    sums[0], sums[1], sums[2], sums[3], sums[4] = a, b, c, total, energy
