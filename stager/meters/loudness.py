"""Loudness: integrated, momentary, short-term and range.

The channels are K-weighted, squared, weighted by their place and summed; the level of the mean over a window, less
0.691 dB, is its loudness. Integrated loudness takes windows of 400 ms every 100 ms, drops those that do not exceed -70
LUFS, then those more than 10 LU under the mean of the rest. Momentary is the same 400 ms without gates, short-term 3
s, both looked at every 10 ms. Loudness range takes the short-term values of every 100 ms, drops those under -70 LUFS
and those more than 20 LU under the power mean of the rest, and gives the distance from their 10th to their 95th
percentile.

Source: ITU-R BS.1770-5 Annex 1 (K-weighting, channel weights, gates); EBU Tech 3341 (momentary, short-term); EBU Tech
3342 (range). The filters are recomputed for each sample rate from the parameters behind the 48 kHz coefficients.
"""

from dataclasses import dataclass
from math import pi, tan
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from stager.meters.hops import Rows
from stager.meters.peak import Samples
from stager.system.jit import sample_loop
from stager.units import db_from_power, linear_from_db, power_from_db

TICKS_PER_S: Final = 100
HOP_TICKS: Final = 10
MOMENTARY_TICKS: Final = 40
SHORT_TERM_TICKS: Final = 300
OFFSET_DB: Final = -0.691
ABSOLUTE_GATE_LUFS: Final = -70.0
RELATIVE_GATE_LU: Final = -10.0
RANGE_GATE_LU: Final = -20.0
RANGE_PERCENTILES: Final = (0.10, 0.95)
SAMPLE_RATES_HZ: Final = (8_000, 384_000)
"""Rates at which the weighting filters are proven; outside them loudness is not measured."""

FADED: Final = 1e-30

SURROUND_WEIGHT: Final = 1.41
FRONT: Final = (0x1, 0x2, 0x4)
LOW_FREQUENCY: Final = 0x8
BACK: Final = (0x10, 0x20)
SIDE: Final = (0x200, 0x400)
SURROUND_MASKS: Final = {sum(FRONT) | sum(pair) | low for pair in (BACK, SIDE) for low in (0, LOW_FREQUENCY)}
"""5.0 and 5.1, with the surrounds at the back or at the sides, as masks of WAVE_FORMAT_EXTENSIBLE."""


class Biquad(NamedTuple):
    """A second-order filter, normalised to a0 = 1."""

    b0: float
    b1: float
    b2: float
    a1: float
    a2: float


def k_weighting(sample_rate_hz: int) -> tuple[Biquad, Biquad]:
    """Return the two stages of K-weighting, the shelf and the high-pass, at this rate.

    Source: the analogue parameters from which the 48 kHz table of ITU-R BS.1770-5 Annex 1 follows, to 1e-14.
    """
    k, q = tan(pi * 1681.974450955533 / sample_rate_hz), 0.7071752369554196
    high, middle = linear_from_db(3.999843853973347), linear_from_db(3.999843853973347 * 0.4996667741545416)
    d = 1.0 + k / q + k * k
    shelf = Biquad(
        (high + middle * k / q + k * k) / d,
        2.0 * (k * k - high) / d,
        (high - middle * k / q + k * k) / d,
        2.0 * (k * k - 1.0) / d,
        (1.0 - k / q + k * k) / d,
    )
    k, q = tan(pi * 38.13547087602444 / sample_rate_hz), 0.5003270373238773
    d = 1.0 + k / q + k * k
    return shelf, Biquad(1.0, -2.0, 1.0, 2.0 * (k * k - 1.0) / d, (1.0 - k / q + k * k) / d)


def channel_weights(channels: int, channel_mask: int) -> Samples:
    """Return the weight of each channel: 1.41 for the surrounds of 5.0 and 5.1, 0 for their LFE, 1 for all else."""
    weights = np.ones(channels)
    if channel_mask in SURROUND_MASKS and channel_mask.bit_count() == channels:
        places = [1 << bit for bit in range(channel_mask.bit_length()) if channel_mask >> bit & 1]
        weights[[place in (*BACK, *SIDE) for place in places]] = SURROUND_WEIGHT
        weights[[place == LOW_FREQUENCY for place in places]] = 0.0
    return weights


@dataclass(frozen=True, eq=False)
class LoudnessResult:
    """Powers of a programme's windows, and the figures in them. None: too short, or nothing passes the gates.

    `block_powers` are those of 400 ms every 100 ms, `short_term_powers` of 3 s every 100 ms.
    """

    block_powers: Samples
    short_term_powers: Samples
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None

    def integrated_lufs(self, gain_db: float = 0.0) -> float | None:
        """Return the integrated loudness as it would read after a gain."""
        powers = self.block_powers * power_from_db(gain_db)
        kept = powers[powers > power_from_db(ABSOLUTE_GATE_LUFS - OFFSET_DB)]
        if kept.size == 0:
            return None
        return _lufs(kept[kept > kept.mean() * power_from_db(RELATIVE_GATE_LU)].mean())

    def range_lu(self) -> float | None:
        """Return the loudness range."""
        kept = self.short_term_powers[self.short_term_powers >= power_from_db(ABSOLUTE_GATE_LUFS - OFFSET_DB)]
        if kept.size == 0:
            return None
        kept = np.sort(kept[kept >= kept.mean() * power_from_db(RANGE_GATE_LU)])
        low, high = (kept[round((kept.size - 1) * part)] for part in RANGE_PERCENTILES)
        return db_from_power(high / low)

    def to_levels(self) -> dict[str, float | None]:
        """Return the figures by the names they have in a record of levels."""
        return {
            "loudness_lufs": self.integrated_lufs(),
            "loudness_range_lu": self.range_lu(),
            "loudness_momentary_max_lufs": self.momentary_max_lufs,
            "loudness_short_term_max_lufs": self.short_term_max_lufs,
        }


class LoudnessMeter:
    """K-weighted power of every 10 ms, gathered into the windows of the standards as it comes.

    Ticks of 10 ms have their edges at round(k * rate / 100). An incomplete last window is not used.
    """

    def __init__(self, channels: int, sample_rate_hz: int, channel_mask: int = 0) -> None:
        self._rate_hz = sample_rate_hz
        self._stages = np.array(k_weighting(sample_rate_hz))
        self._weights = channel_weights(channels, channel_mask)
        self._memory = np.zeros((channels + channels % 2, 4))
        self._open = np.zeros(1)
        self._frames = self._ticks = 0
        self._recent = np.zeros(SHORT_TERM_TICKS)
        self._highest = np.zeros(2)
        self._windows = Rows(2)

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        edges = self._edges(self._frames + len(block)) - self._frames
        energies = np.empty(len(edges))
        _weigh(block, self._stages, self._weights, self._memory, edges, self._open, energies)
        windows = np.empty((len(edges) // HOP_TICKS + 1, 2))
        lengths = np.array([MOMENTARY_TICKS, SHORT_TERM_TICKS])
        count = _gather(energies, lengths, self._ticks, self._recent, self._highest, windows)
        self._windows.add(windows[:count])
        self._ticks += len(edges)
        self._frames += len(block)

    def result(self) -> LoudnessResult:
        """Return the figures of all that was fed."""
        windows = self._windows.all()
        per_frame = TICKS_PER_S / self._rate_hz
        momentary, short_term = (
            _lufs(energy * per_frame / length) if self._ticks >= length else None
            for energy, length in zip(self._highest, (MOMENTARY_TICKS, SHORT_TERM_TICKS), strict=True)
        )
        return LoudnessResult(
            windows[MOMENTARY_TICKS // HOP_TICKS - 1 :, 0] * per_frame / MOMENTARY_TICKS,
            windows[SHORT_TERM_TICKS // HOP_TICKS - 1 :, 1] * per_frame / SHORT_TERM_TICKS,
            momentary,
            short_term,
        )

    def _edges(self, end: int) -> NDArray[np.int64]:
        """The edges of the ticks that end in the frames up to `end`."""
        last = end * TICKS_PER_S // self._rate_hz + 1
        edges = np.rint(np.arange(self._ticks + 1, last + 1) * (self._rate_hz / TICKS_PER_S)).astype(np.int64)
        return np.asarray(edges[edges <= end])


def _lufs(power: float) -> float | None:
    level = db_from_power(float(power))
    return None if level is None else level + OFFSET_DB


@sample_loop
def _weigh(
    block: Samples,
    stages: Samples,
    weights: Samples,
    memory: Samples,
    edges: NDArray[np.int64],
    running: Samples,
    out: Samples,
) -> None:
    """Sum the weighted squares of the K-weighted channels over each tick, two channels side by side."""
    out[:] = 0.0
    carried = 0.0
    nothing = np.zeros(block.shape[0])
    for channel in range(0, block.shape[1], 2):
        left = block[:, channel]
        right = block[:, channel + 1] if channel + 1 < block.shape[1] else nothing
        other = weights[channel + 1] if channel + 1 < block.shape[1] else 0.0
        start = 0
        for tick in range(edges.shape[0] + 1):
            stop = edges[tick] if tick < edges.shape[0] else block.shape[0]
            one, two = _filter_pair(left[start:stop], right[start:stop], stages, memory[channel : channel + 2])
            energy = weights[channel] * one + other * two
            if tick < edges.shape[0]:
                out[tick] += energy
            else:
                carried += energy
            start = stop
    if edges.shape[0]:
        out[0] += running[0]
        running[0] = carried
    else:
        running[0] += carried


@sample_loop
def _filter_pair(left: Samples, right: Samples, stages: Samples, memory: Samples) -> tuple[float, float]:
    """Energy of two K-weighted rows; both stages in transposed direct form II, with their state in `memory`, (2, 4)."""
    b0, b1, b2, a1, a2 = stages[0]
    c1, c2 = stages[1, 3], stages[1, 4]
    s1, s2, h1, h2 = memory[0]
    t1, t2, k1, k2 = memory[1]
    energy_left = energy_right = 0.0
    for i in range(left.shape[0]):
        x, u = left[i], right[i]
        y, v = b0 * x + s1, b0 * u + t1
        s1, t1 = b1 * x - a1 * y + s2, b1 * u - a1 * v + t2
        s2, t2 = b2 * x - a2 * y, b2 * u - a2 * v
        z, w = y + h1, v + k1
        h1, k1 = -2.0 * y - c1 * z + h2, -2.0 * v - c1 * w + k2
        h2, k2 = y - c2 * z, v - c2 * w
        energy_left += z * z
        energy_right += w * w
    _store(memory, 0, s1, s2, h1, h2)
    _store(memory, 1, t1, t2, k1, k2)
    return energy_left, energy_right


@sample_loop
def _store(memory: Samples, channel: int, s1: float, s2: float, h1: float, h2: float) -> None:
    """Keep a filter's state; what has faded below any sample counts as zero, since denormal numbers are slow."""
    faded = abs(s1) + abs(s2) + abs(h1) + abs(h2) < FADED
    memory[channel, 0], memory[channel, 1] = (0.0, 0.0) if faded else (s1, s2)
    memory[channel, 2], memory[channel, 3] = (0.0, 0.0) if faded else (h1, h2)


@sample_loop
def _gather(
    energies: Samples, lengths: NDArray[np.int64], first_tick: int, recent: Samples, highest: Samples, out: Samples
) -> int:
    """Slide the two windows over the ticks: keep the highest of each, write both at every 100 ms; return how many."""
    count = 0
    for i in range(energies.shape[0]):
        tick = first_tick + i + 1
        recent[(tick - 1) % recent.shape[0]] = energies[i]
        for kind in range(lengths.shape[0]):
            energy, newest = 0.0, (tick - 1) % recent.shape[0]
            before = min(lengths[kind], newest + 1)
            for back in range(before):
                energy += recent[newest - back]
            for back in range(1, lengths[kind] - before + 1):
                energy += recent[recent.shape[0] - back]
            if tick >= lengths[kind]:
                highest[kind] = max(highest[kind], energy)
            if tick % 10 == 0:
                out[count, kind] = energy
        if tick % 10 == 0:
            count += 1
    return count
