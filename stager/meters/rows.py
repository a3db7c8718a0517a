"""Rows of figures that grow with the file, in one piece of memory."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

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
        """Give every row; the array is ours and changes with the next row that is added."""
        return self._data[: self._count]

    def taken(self) -> NDArray[np.float64]:
        """Give every row, and forget them; the array is the caller's."""
        rows, self._data, self._count = self.all(), self._data[:0], 0
        return rows
