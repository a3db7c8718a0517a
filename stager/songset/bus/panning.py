"""Where a stem stands between left and right, and what more than two channels become.

A mono stem at pan p, from -1 left to 1 right, under a law whose centre is C (linear, on each side), with
theta = pi/4 (1 + |p|):

    the side it stands on   C + (1 - C) s(p),   s(p) = (sin theta - sqrt 1/2) / (1 - sqrt 1/2)
    the other side          C sqrt 2 cos theta

For C = sqrt 1/2 (-3.01 dB) this is the sine/cosine law of constant power, sin theta and cos theta. Source: Roads, The
Computer Music Tutorial (MIT Press, 1996), from memory. For every other C the curves keep their shape between C and 1,
and between C and 0 (own choice), so that hard left and right are 0 dB and silence under each law, and the sum is linear
in C: two sums, one of what is multiplied by C and one of what is not, hold the bus under every law.

A stereo stem is balanced: the side it moves away from takes the second formula with C = 1, the other stays at 0 dB.

More than two channels are folded before they are balanced. With a channel mask: fronts to their sides at 0 dB, the
centre and every surround at -3 dB (0.7071) to both or to their side, a single back centre at -6 dB to both, the
low-frequency channel left out (ITU-R BS.775, down-mixing; values from memory). Without one, channels are taken as
pairs, odd numbers left and even numbers right, and an odd last one goes to both at -3 dB (own rule: a plain header
doesn't say).
"""

from dataclasses import dataclass
from math import cos, pi, sin, sqrt
from typing import Final

import numpy as np

from stager.meters import Samples
from stager.model import StreamInfo

HALF_POWER: Final = sqrt(0.5)
LEFT, RIGHT, BOTH, NOWHERE = (1.0, 0.0), (0.0, 1.0), (HALF_POWER, HALF_POWER), (0.0, 0.0)
TO_LEFT, TO_RIGHT = (HALF_POWER, 0.0), (0.0, HALF_POWER)
SPEAKERS: Final = {
    0x1: LEFT,
    0x2: RIGHT,
    0x4: BOTH,
    0x8: NOWHERE,
    0x10: TO_LEFT,
    0x20: TO_RIGHT,
    0x40: LEFT,
    0x80: RIGHT,
    0x100: (0.5, 0.5),
    0x200: TO_LEFT,
    0x400: TO_RIGHT,
}
"""What the speakers of WAVE_FORMAT_EXTENSIBLE give to left and right: fronts, centre, low frequency, backs, fronts
beside the centre, back centre, sides."""


@dataclass(frozen=True, eq=False)
class Placement:
    """Gains from channels to sides, (channels, 2) each: the bus takes `fixed` + C times `centre`."""

    fixed: Samples
    centre: Samples

    def at(self, centre_linear: float) -> Samples:
        """Return the gains under one law."""
        return np.asarray(self.fixed + centre_linear * self.centre)


def placement(info: StreamInfo, pan: float) -> Placement:
    """Return a stem's gains to left and right."""
    if info.channels == 1:
        return _mono(pan)
    fold = np.array(_fold(info.channels, info.channel_mask))
    _, far = _curves(pan)
    return Placement(fold * _sided(1.0, far, pan), np.zeros_like(fold))


def _mono(pan: float) -> Placement:
    near, far = _curves(pan)
    return Placement(_sided(near, 0.0, pan)[None, :], _sided(1.0 - near, far, pan)[None, :])


def _curves(pan: float) -> tuple[float, float]:
    """How far the near side has come from C to 1, and the far side's part of C."""
    if abs(pan) == 1.0:
        return 1.0, 0.0
    theta = pi / 4.0 * (1.0 + abs(pan))
    return (sin(theta) - HALF_POWER) / (1.0 - HALF_POWER) if pan else 0.0, cos(theta) / HALF_POWER if pan else 1.0


def _sided(near: float, far: float, pan: float) -> Samples:
    return np.array((near, far) if pan < 0.0 else (far, near))


def _fold(channels: int, mask: int) -> list[tuple[float, float]]:
    """What each channel gives to left and right."""
    if channels == 2:
        return [LEFT, RIGHT]
    places = [1 << bit for bit in range(mask.bit_length()) if mask >> bit & 1]
    if len(places) == channels and all(place in SPEAKERS for place in places):
        return [SPEAKERS[place] for place in places]
    pairs = [(LEFT, RIGHT)[channel % 2] for channel in range(channels)]
    return [*pairs[:-1], BOTH] if channels % 2 else pairs
