"""A stem driven as an amplifier drives a line: what a curve without memory adds, no filter can make from it.

So a line and the microphone before its amplifier are one take that neither a level nor a filter tells. Driven first,
the line cancels the amplifier; a second performance is cancelled by nothing.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from stager.pairs.excerpts import Signal

DRIVE: Final = 10.0
"""How far over the curve's knee the line's loud samples lie (own figure: strong overdrive, 20 dB)."""
LEAN: Final = 0.3
"""How far the curve is off its middle: one side meets the knee before the other (own figure)."""
LOUD_PERCENT: Final = 99.9


def driven(stretches: Sequence[Signal]) -> list[Signal]:
    """Give stretches of one stem through an amplifier's curve, a hyperbolic tangent; silence stays silence."""
    top = max((float(np.percentile(np.abs(one), LOUD_PERCENT)) for one in stretches), default=0.0)
    gain, rest = np.float32(DRIVE / (top + 1e-30)), np.float32(np.tanh(LEAN))
    return [np.tanh(gain * one + np.float32(LEAN)) - rest if top > 0.0 else one for one in stretches]
