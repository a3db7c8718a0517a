"""Left and right over time: the lowest correlation of any 3 s, and stretches in which one side is missing.

Sums of squares and products are kept in blocks of 400 ms. A stretch of 3 s, the window of EBU Tech 3341's short-term
loudness, counts where it plays: within 20 dB of the loudest one (own figure).
"""

from typing import Final

import numpy as np

from stager.meters import Samples
from stager.meters.hops import Rows
from stager.model.mix import SidesFigure
from stager.units import power_from_db

BLOCK_S: Final = 0.4
WINDOW_BLOCKS: Final = 8
"""3.2 s: the whole blocks that come nearest to 3 s."""
PLAYS_DB: Final = -20.0
OUT_DB: Final = -40.0
"""A side that lies this far under the other, for `OUT_S` or longer, is missing there (own figures)."""
OUT_S: Final = 2.0


class SidesMeter:
    """Sums by block of 400 ms; fed blocks of shape (frames, 2)."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._frames = round(BLOCK_S * sample_rate_hz)
        self._block_s = self._frames / sample_rate_hz
        self._rest = np.zeros((0, 2))
        self._rows = Rows(3)

    def update(self, block: Samples) -> None:
        """Take in the next block."""
        data = np.concatenate((self._rest, block))
        count = len(data) // self._frames
        whole = data[: count * self._frames].reshape(count, self._frames, 2)
        left, right = whole[:, :, 0], whole[:, :, 1]
        products = ((left * left).sum(axis=1), (right * right).sum(axis=1), (left * right).sum(axis=1))
        self._rows.add(np.stack(products, axis=1))
        self._rest = data[count * self._frames :].copy()

    def result(self) -> SidesFigure:
        """Return where the sides agree least, and where one is missing."""
        rows = self._rows.all()
        worst, at_s = self._lowest(rows)
        return SidesFigure(
            lowest_correlation=worst,
            lowest_correlation_at_s=at_s,
            left_out_s=self._missing(rows[:, 0], rows[:, 1]),
            right_out_s=self._missing(rows[:, 1], rows[:, 0]),
        )

    def _lowest(self, rows: Samples) -> tuple[float | None, float | None]:
        if len(rows) < WINDOW_BLOCKS:
            return None, None
        sums = np.lib.stride_tricks.sliding_window_view(rows, WINDOW_BLOCKS, axis=0).sum(axis=-1)
        powers = sums[:, 0] + sums[:, 1]
        both = np.sqrt(sums[:, 0] * sums[:, 1])
        plays = (powers >= powers.max(initial=0.0) * power_from_db(PLAYS_DB)) & (both > 0.0)
        if not plays.any():
            return None, None
        correlations = np.where(plays, sums[:, 2] / np.where(both > 0.0, both, 1.0), np.inf)
        best = int(correlations.argmin())
        return max(-1.0, float(correlations[best])), best * self._block_s

    def _missing(self, side: Samples, other: Samples) -> tuple[tuple[float, float], ...]:
        """Stretches (start and end in s) in which a side lies far under the other one, which plays."""
        loudest = max(float(other.max(initial=0.0)), float(side.max(initial=0.0)))
        plays = (other > 0.0) & (other >= loudest * power_from_db(PLAYS_DB))
        out = np.flatnonzero(np.diff(np.concatenate(([0], (plays & (side <= other * power_from_db(OUT_DB))), [0]))))
        spans = [(start * self._block_s, end * self._block_s) for start, end in out.reshape(-1, 2).tolist()]
        return tuple((start, end) for start, end in spans if end - start >= OUT_S)
