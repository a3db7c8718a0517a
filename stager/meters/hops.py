"""Hops: the tenths of a second that averages are built from, and the last frames of a stream.

The edges of hops lie at round(k * rate / 10). A block of the average is four hops long and begins with each hop.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.meters.peak import Samples

HOPS_PER_S: Final = 10
BLOCK_HOPS: Final = 4


class HopClock:
    """Counts frames, and the hops among them."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._rate_hz = sample_rate_hz
        self.frames = 0
        self.hops = 0

    def edge(self, hop: int) -> int:
        """Return the frame at which this hop begins."""
        return round(hop * self._rate_hz / HOPS_PER_S)

    def passed(self, frames: int) -> NDArray[np.int64]:
        """Advance by `frames`; return the edges of the hops that end in them, counted from the first of them."""
        end, edges = self.frames + frames, []
        while (edge := self.edge(self.hops + 1)) <= end:
            edges.append(edge - self.frames)
            self.hops += 1
        self.frames = end
        return np.array(edges, np.int64)

    def block_edges(self) -> NDArray[np.int64]:
        """Return the frame at which each hop so far begins, and the one where the last of them ends."""
        return np.rint(np.arange(self.hops + 1) * self._rate_hz / HOPS_PER_S).astype(np.int64)

    def whole_blocks(self) -> int:
        """Return the number of complete blocks."""
        return max(0, self.hops - BLOCK_HOPS + 1)

    def has_rest(self) -> bool:
        """Return whether frames follow the last complete block, or none is."""
        return not self.whole_blocks() or self.edge(self.hops) != self.frames


class LastFrames:
    """The last frames of a stream, as many as asked for, or all there were."""

    def __init__(self, frames: int, channels: int) -> None:
        self._frames = frames
        self.samples: Samples = np.zeros((0, channels))

    def add(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        if len(block) < self._frames:
            block = np.concatenate((self.samples, block))
        self.samples = block[-self._frames :].copy()


FIRST_ROWS: Final = 256
MOST_SPARE_BYTES: Final = 1 << 20
"""Memory that may lie empty behind the last row."""


class Rows:
    """An array of rows of one shape, to which rows are added at its end; it grows by a quarter, or a megabyte."""

    def __init__(self, *shape: int) -> None:
        self._data = np.zeros((FIRST_ROWS, *shape))
        self._count = 0

    def __len__(self) -> int:
        """How many rows there are."""
        return self._count

    def add(self, rows: NDArray[np.float64]) -> None:
        """Add rows at the end."""
        end = self._count + len(rows)
        if end > len(self._data):
            spare = min(len(self._data) // 4, MOST_SPARE_BYTES // self._data[0].nbytes)
            size = max(end, len(self._data) + spare)
            self._data.resize((size, *self._data.shape[1:]), refcheck=False)
        self._data[self._count : end] = rows
        self._count = end

    def all(self) -> NDArray[np.float64]:
        """Return every row; the array stays this object's and changes with the next row that is added."""
        return self._data[: self._count]

    def taken(self) -> NDArray[np.float64]:
        """Return every row, and forget them; the array is the caller's."""
        rows, self._data, self._count = self.all(), self._data[:0], 0
        return rows
