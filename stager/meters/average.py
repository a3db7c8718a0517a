"""Average level while a part plays: gated RMS, free of the constant part.

Mean squares are taken over blocks of 400 ms that start every 100 ms, after the channel's mean over the file is removed.
Blocks under -70 dBFS (AES17) are dropped, then those more than 10 dB under the power mean of the rest; the average is
the power mean of what stays. Source: the gate of ITU-R BS.1770-5 Annex 1, on unweighted power.
"""

from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from stager.meters.hops import BLOCK_HOPS, HopClock, LastFrames, Rows
from stager.meters.peak import Samples
from stager.system.jit import sample_loop
from stager.units import power_from_db, power_from_dbfs_rms

ABSOLUTE_GATE_DBFS: Final = -70.0
RELATIVE_GATE_DB: Final = -10.0

Powers = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Gated:
    """What passes the gates: its mean square (None: nothing does), and which blocks were kept."""

    power: float | None
    kept: NDArray[np.bool_]

    @property
    def kept_ratio(self) -> float:
        """The share of blocks that were kept."""
        return float(self.kept.mean())


@dataclass(frozen=True, eq=False)
class AverageResult:
    """Block powers of a file, and the questions they answer. Powers are mean squares; 1.0 is a full-scale square.

    `block_powers` has shape (blocks, channels), the channel means removed; so have `block_means`, as the file is, and
    `has_zeros`, which marks blocks with 100 ms of nothing but zeros. `means` and `powers` are of the whole file, as it
    is, by channel. `short` says that the file was shorter than one block and counts as a single one.
    """

    block_powers: Powers
    block_means: Powers
    has_zeros: NDArray[np.bool_]
    means: Powers
    powers: Powers
    short: bool
    _as_they_are: dict[int, Gated] = field(default_factory=dict, init=False, repr=False)

    def channel(self, channel: int, gain_db: float = 0.0) -> Gated:
        """Gate one channel (from 0) as it would stand after a gain; the power given is before the gain."""
        if gain_db:
            return _gated(self.block_powers[:, channel], gain_db)
        if channel not in self._as_they_are:
            self._as_they_are[channel] = _gated(self.block_powers[:, channel], 0.0)
        return self._as_they_are[channel]

    def stem(self, channels: Literal["loudest", "mean"], gain_db: float = 0.0) -> Gated:
        """Gate the stem as it would stand after a gain: its loudest channel, or the power mean of its channels."""
        if channels == "mean":
            return _gated(self.block_powers.mean(axis=1), gain_db)
        results = [self.channel(channel, gain_db) for channel in range(self.block_powers.shape[1])]
        return max(results, key=lambda gated: gated.power or 0.0)

    def loudest_channel(self) -> int:
        """Return the channel (from 0) whose average is the highest."""
        powers = [self.channel(channel).power or 0.0 for channel in range(self.block_powers.shape[1])]
        return powers.index(max(powers))

    def ungated_power(self, channels: Literal["loudest", "mean"]) -> float:
        """Return the mean square of the whole file as it is: of the loudest channel, or the mean of the channels."""
        return float(self.powers.max() if channels == "loudest" else self.powers.mean())


def _gated(powers: Powers, gain_db: float) -> Gated:
    kept = powers >= power_from_dbfs_rms(ABSOLUTE_GATE_DBFS - gain_db)
    if not kept.any():
        return Gated(None, kept)
    kept &= powers >= powers[kept].mean() * power_from_db(RELATIVE_GATE_DB)
    return Gated(float(powers[kept].mean()), kept)


class AverageMeter:
    """Sums and sums of squares of every 100 ms, by channel.

    Hop edges lie at round(k * rate / 10). Where frames follow the last whole block, one more block is the file's last
    400 ms; a file shorter than 400 ms is one block of its own length.
    """

    def __init__(self, channels: int, sample_rate_hz: int) -> None:
        self._clock = HopClock(sample_rate_hz)
        self._hops = Rows(2, channels)
        self._open = np.zeros((2, channels))
        self._last = LastFrames(self._clock.edge(BLOCK_HOPS), channels)

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        edges = self._clock.passed(len(block))
        sums = np.empty((len(edges), 2, block.shape[1]))
        _sum_hops(block, edges, self._open, sums)
        self._hops.add(sums)
        self._last.add(block)

    def result(self) -> AverageResult:
        """Return the block powers of all that was fed; the meter has done its work then.

        Raises:
            ValueError: where nothing was fed.
        """
        frames = self._clock.frames
        if not frames:
            raise ValueError("no frames were fed")
        hops = self._hops.taken()
        totals = hops.sum(axis=0) + self._open
        means = totals[0] / frames
        powers, block_means, has_zeros = self._blocks(hops, means)
        return AverageResult(
            block_powers=powers,
            block_means=block_means,
            has_zeros=has_zeros,
            means=means,
            powers=totals[1] / frames,
            short=frames < self._clock.edge(BLOCK_HOPS),
        )

    def _blocks(self, hops: Samples, means: Powers) -> tuple[Powers, Powers, NDArray[np.bool_]]:
        """Power, mean, and whether it holds a hop of nothing but zeros, of each block, (blocks, channels)."""
        whole = self._clock.whole_blocks()
        count = whole + self._clock.has_rest()
        out = hops[:count] if count <= len(hops) else np.empty((count, *hops.shape[1:]))
        block_means, powers, has_zeros = out[:, 0], out[:, 1], np.zeros((count, hops.shape[2]), np.bool_)
        _sum_blocks(hops, self._clock.block_edges(), means, powers, block_means, has_zeros)
        if count > whole:
            rest = self._last.samples
            has_zeros[-1] = (hops[whole:, 1] == 0.0).any(axis=0) | (rest == 0.0).all(axis=0)
            block_means[-1] = rest.mean(axis=0)
            powers[-1] = np.maximum(0.0, (rest**2).mean(axis=0) - 2.0 * means * block_means[-1] + means**2)
        return powers, block_means, has_zeros


@sample_loop
def _sum_blocks(
    hops: Samples,
    edges: NDArray[np.int64],
    means: Powers,
    powers: Powers,
    block_means: Powers,
    has_zeros: NDArray[np.bool_],
) -> None:
    """Fill in the whole blocks: the mean square about the channel's mean is (q - 2 m s) / n + m^2.

    A block may be written where its first hop lies, which is not read any more.
    """
    for block in range(hops.shape[0] - BLOCK_HOPS + 1):
        frames = edges[block + BLOCK_HOPS] - edges[block]
        for channel in range(hops.shape[2]):
            plain = squares = 0.0
            for hop in range(block, block + BLOCK_HOPS):
                plain += hops[hop, 0, channel]
                squares += hops[hop, 1, channel]
                if hops[hop, 1, channel] == 0.0:
                    has_zeros[block, channel] = True
            mean = means[channel]
            block_means[block, channel] = plain / frames
            powers[block, channel] = max(0.0, (squares - 2.0 * mean * plain) / frames + mean * mean)


@sample_loop
def _sum_hops(block: Samples, edges: NDArray[np.int64], running: Samples, out: Samples) -> None:
    """Add each sample and its square to the running sums, (2, channels); write them to `out` at each edge."""
    start = 0
    for hop in range(edges.shape[0] + 1):
        stop = edges[hop] if hop < edges.shape[0] else block.shape[0]
        for channel in range(block.shape[1]):
            plain, squares = _sums(block[start:stop, channel])
            running[0, channel] += plain
            running[1, channel] += squares
        if hop < edges.shape[0]:
            for channel in range(block.shape[1]):
                out[hop, 0, channel], out[hop, 1, channel] = running[0, channel], running[1, channel]
                running[0, channel] = running[1, channel] = 0.0
        start = stop


@sample_loop
def _sums(row: Samples) -> tuple[float, float]:
    """Sum of the samples and of their squares, in two lanes so that no sample waits for the one before."""
    plain_a = plain_b = square_a = square_b = 0.0
    for i in range(0, row.shape[0] - 1, 2):
        plain_a += row[i]
        plain_b += row[i + 1]
        square_a += row[i] * row[i]
        square_b += row[i + 1] * row[i + 1]
    if row.shape[0] % 2:
        plain_a += row[-1]
        square_a += row[-1] * row[-1]
    return plain_a + plain_b, square_a + square_b
