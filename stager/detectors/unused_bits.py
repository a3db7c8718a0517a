"""Unused bits: the coarsest grid of integers on which every sample of a file lies.

A sample lies on the grid of n bits where sample * 2^(n-1) is a whole number. The bitwise OR of all codes of a file ends
in as many zeros as bits are never used: 16-bit audio in a 24-bit file ends in eight. Source: arithmetic.
"""

from typing import Final

import numpy as np

from stager.meters.peak import Samples
from stager.model import StreamInfo
from stager.system.jit import sample_loop

FLOAT_GRID_BITS: Final = 31
"""The finest grid that is tried for float files: 30 bits after the point and one before it, so that 1.0 fits in."""


class UnusedBitsMeter:
    """Finds which bits are ever used; stops reading samples once the lowest one is.

    Float samples at +6 dBFS and beyond lie on no grid that is tried.
    """

    def __init__(self, info: StreamInfo) -> None:
        integer = info.encoding.is_integer
        self._grid_bits = 8 * info.encoding.sample_bytes if integer else FLOAT_GRID_BITS
        self._lowest = 1 << (self._grid_bits - info.valid_bits) if integer else 1
        self._used = 0
        self._off_grid = False

    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels)."""
        if not self._off_grid and not self._used & (2 * self._lowest - 1):
            used, off_grid = _used_bits(block.reshape(-1), 2.0 ** (self._grid_bits - 1))
            self._used |= used
            self._off_grid = bool(off_grid)

    def result(self) -> int | None:
        """Return the bits of the coarsest grid; None for silence, and for float samples that lie on no grid."""
        if self._off_grid or not self._used:
            return None
        never_used = (self._used & -self._used).bit_length() - 1
        return self._grid_bits - never_used


@sample_loop
def _used_bits(row: Samples, scale: float) -> tuple[int, bool]:
    """Return every bit that is set in a code, and whether a sample is no code."""
    used, off_grid = np.int32(0), np.int32(0)
    for i in range(row.shape[0]):
        scaled = row[i] * scale
        inside = scaled if -2147483648.0 <= scaled < 2147483648.0 else 0.5  # NaN and what no code holds
        code = np.int32(inside)
        used = np.int32(used | code)
        off_grid = np.int32(off_grid | np.int32(code != inside))
    return int(used) & 0xFFFFFFFF, off_grid != 0
