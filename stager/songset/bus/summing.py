"""All channels added up, stretch by stretch, on as many cores as there are.

Under any pan law the bus is one sum plus the law's centre gain times another (see `panning`), so both are kept apart.
Channels are distributed over a fixed number of lanes that are added in order, so that the result is the same to the
bit on any number of cores.
"""

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from math import isfinite
from typing import Final

import numpy as np

from stager.errors import NotFiniteStem
from stager.meters import Samples
from stager.songset.bus.channel import MixChannel, PartLost
from stager.songset.bus.inputs import MixInputs
from stager.system.jit import sample_loop

WINDOW_FRAMES: Final = 1 << 17
LANES: Final = 4


@dataclass(frozen=True, eq=False)
class Sums:
    """A stretch of the bus from frame `start` on: two sums, (frames, 2) each, and which centre gain joins them."""

    start: int
    fixed: Samples
    centre: Samples | None

    def bus(self, centre_linear: float) -> Samples:
        """Return the bus under one pan law; read only."""
        return self.fixed if self.centre is None else self.fixed + centre_linear * self.centre


class Mixer:
    """Adds the channels up.

    `energies` holds each channel's sum of squares on both sides, in the order of the inputs, under the law of
    `centre_linear`.
    """

    def __init__(self, inputs: MixInputs, centre_linear: float, pool: ThreadPoolExecutor) -> None:
        self.energies = np.zeros(len(inputs.channels))
        self.has_centre = any(channel.placement.centre.any() for channel in inputs.channels)
        self.pool = pool
        self._inputs, self._centre_linear = inputs, centre_linear

    def sums(self, start: int, stop: int, step: int = WINDOW_FRAMES) -> Iterator[Sums]:
        """Yield the bus in order from `start` to `stop`, which may lie outside it, at most `step` frames at a time.

        Raises:
            PartLost: where a file can't be read, or holds what is no number.
        """
        for first in range(start, stop, step):
            yield self._sums(first, min(first + step, stop))

    def _sums(self, start: int, stop: int) -> Sums:
        playing = [n for n, channel in enumerate(self._inputs.channels) if channel.first < stop and channel.end > start]
        lanes = [playing[lane::LANES] for lane in range(LANES) if playing[lane::LANES]]
        results = list(self.pool.map(lambda lane: self._lane(lane, start, stop), lanes))
        fixed = np.zeros((stop - start, 2))
        centre = np.zeros((stop - start, 2)) if self.has_centre else None
        for one, other in results:
            fixed += one
            if centre is not None:
                centre += other
        return Sums(start, fixed, centre)

    def _lane(self, numbers: list[int], start: int, stop: int) -> tuple[Samples, Samples]:
        fixed = np.zeros((stop - start, 2))
        centre = np.zeros((stop - start if self.has_centre else 0, 2))
        for number in numbers:
            channel = self._inputs.channels[number]
            self.energies[number] += _mixed(channel, start, stop, self._centre_linear, fixed, centre)
        return fixed, centre


@contextmanager
def mixing(inputs: MixInputs, centre_linear: float) -> Iterator[Mixer]:
    """Yield a mixer with threads of its own."""
    with ThreadPoolExecutor(min(LANES, os.cpu_count() or 1)) as pool:
        yield Mixer(inputs, centre_linear, pool)


def each(pool: ThreadPoolExecutor, *work: Callable[[], None]) -> None:
    """Run independent tasks in parallel."""
    list(pool.map(lambda task: task(), work))


def not_finite(channel: MixChannel, start: int, stop: int) -> PartLost:
    """Return the error for a channel that holds NaN or infinity in this stretch of the sum."""
    first, last = max(start, channel.first) - channel.first, min(stop, channel.end) - channel.first
    where = f"between {first / channel.info.sample_rate_hz:.1f} and {last / channel.info.sample_rate_hz:.1f} s"
    return PartLost(channel.part, NotFiniteStem(channel.part.name, f"expected levels, found NaN or infinity {where}"))


def _mixed(channel: MixChannel, start: int, stop: int, centre_linear: float, fixed: Samples, centre: Samples) -> float:
    """Add a stretch of one channel to the sums; returns its energy."""
    place, energy = channel.placement, 0.0
    gains, shared = place.fixed * channel.factor, place.centre * channel.factor
    for frame, block in channel.frames(start, stop):
        at = frame - start
        if not shared.any():
            energy += _add(block, gains, fixed[at:])
        elif not gains.any():
            energy += _add(block, shared, centre[at:]) * centre_linear**2
        else:
            energy += _add_both(block[:, 0], gains[0], shared[0], centre_linear, fixed[at:], centre[at:])
    if not isfinite(energy):
        raise not_finite(channel, start, stop)
    return energy


@sample_loop
def _add(block: Samples, gains: Samples, out: Samples) -> float:
    """Add a block, (frames, channels), to both sides by its gains, (channels, 2); returns the energy."""
    energy = 0.0
    for i in range(block.shape[0]):
        left = right = 0.0
        for channel in range(block.shape[1]):
            left += gains[channel, 0] * block[i, channel]
            right += gains[channel, 1] * block[i, channel]
        out[i, 0] += left
        out[i, 1] += right
        energy += left * left + right * right
    return energy


@sample_loop
def _add_both(
    row: Samples, gains: Samples, shared: Samples, centre_linear: float, fixed: Samples, centre: Samples
) -> float:
    """Add one channel to both sums; returns the energy of what they add up to."""
    left, right = gains[0] + centre_linear * shared[0], gains[1] + centre_linear * shared[1]
    energy = 0.0
    for i in range(row.shape[0]):
        fixed[i, 0] += gains[0] * row[i]
        fixed[i, 1] += gains[1] * row[i]
        centre[i, 0] += shared[0] * row[i]
        centre[i, 1] += shared[1] * row[i]
        energy += row[i] * row[i]
    return float(energy * (left * left + right * right))
