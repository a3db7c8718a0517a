"""A stem driven as an amplifier drives a line: what a memoryless curve adds, no filter can undo.

So a line and the microphone in front of its amplifier are one take, which neither a level nor a filter shows. Driven
first, the line cancels the amplifier; a second performance cancels nothing.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from stager.songset.pairs.excerpts import Signal

DRIVE: Final = 10.0
"""How far over the curve's knee the line's loud samples lie (own figure: strong overdrive, 20 dB)."""
LEAN: Final = 0.3
"""How far the curve is off its middle: one side meets the knee before the other (own figure)."""
LOUD_PERCENT: Final = 99.9


def driven(stretches: Sequence[Signal]) -> list[Signal]:
    """Return the stretches of one stem through an amplifier's curve, a hyperbolic tangent; silence stays silence."""
    top = max((float(np.percentile(np.abs(one), LOUD_PERCENT)) for one in stretches), default=0.0)
    gain, rest = np.float32(DRIVE / (top + 1e-30)), np.float32(np.tanh(LEAN))
    return [np.tanh(gain * one + np.float32(LEAN)) - rest if top > 0.0 else one for one in stretches]
