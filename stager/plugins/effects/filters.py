"""Filters with feedback: a second-order high-pass, in double precision, its loop compiled.

The prototype is Butterworth's (Q = 1/sqrt 2), mapped by the bilinear transform with the cutoff put where it belongs:
3.01 dB down at `cutoff_hz`, 12 dB an octave below. Source: Oppenheim, Schafer, "Discrete-Time Signal Processing", on
the bilinear transform; the same coefficients as R. Bristow-Johnson's "Cookbook formulae for audio EQ biquad filter
coefficients".
"""

from math import cos, pi, sin, sqrt
from typing import ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from stager.model import Record
from stager.plugins.effects.settings import HighPassSettings
from stager.plugins.kinds import Samples, Step, Stream
from stager.system.jit import sample_loop

HIGHEST_RATIO: Final = 0.45
"""Of the rate: above it the response is squeezed against half the rate (own figure)."""

Coefficients = tuple[float, float, float, float, float]


class HighPass(Step):
    """Removes rumble: second order, 12 dB an octave, minimum phase. No latency; its tail is cut at the stem's end."""

    name: ClassVar[str] = "high_pass"
    settings: ClassVar[type[Record]] = HighPassSettings

    def __init__(self, settings: HighPassSettings, stream: Stream) -> None:
        super().__init__(settings, stream)
        if settings.cutoff_hz > HIGHEST_RATIO * stream.sample_rate_hz:
            most = HIGHEST_RATIO * stream.sample_rate_hz
            raise ValueError(f"expected a cutoff of at most {most:g} Hz at this rate, found {settings.cutoff_hz:g} Hz")
        self._coefficients = high_pass_coefficients(settings.cutoff_hz / stream.sample_rate_hz)
        self._state = np.zeros((2, stream.channels))

    def process(self, block: Samples) -> Samples:
        """Filter the next block."""
        out = np.empty(block.shape)
        _biquad(block, *self._coefficients, self._state, out)
        return out


def high_pass_coefficients(cutoff_ratio: float) -> Coefficients:
    """Return b0, b1, b2, a1, a2 of the filter (a0 = 1) for a cutoff as a share of the rate, 0 to 0.5."""
    turn = 2.0 * pi * cutoff_ratio
    alpha = sin(turn) / sqrt(2.0)  # sin(turn) / (2 Q)
    a0 = 1.0 + alpha
    b0 = (1.0 + cos(turn)) / 2.0 / a0
    return b0, -2.0 * b0, b0, -2.0 * cos(turn) / a0, (1.0 - alpha) / a0


@sample_loop
def _biquad(
    block: Samples, b0: float, b1: float, b2: float, a1: float, a2: float, state: NDArray[np.float64], out: Samples
) -> None:
    """Direct form II transposed: y = b0 x + s1; s1 = b1 x - a1 y + s2; s2 = b2 x - a2 y."""
    for channel in range(block.shape[1]):
        first, second = state[0, channel], state[1, channel]
        for i in range(block.shape[0]):
            x = block[i, channel]
            y = b0 * x + first
            first = b1 * x - a1 * y + second
            second = b2 * x - a2 * y
            out[i, channel] = y
        state[0, channel], state[1, channel] = first, second
