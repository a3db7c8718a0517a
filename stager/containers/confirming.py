"""Confirms a finished copy from its own bytes: its chunks and tags, and each sample against original times gain.

It shares nothing with the code that wrote the copy but the layout of chunks: no dither is computed anew. A sample may
differ by what dither and rounding can do, and not by more.

Source: triangular dither of two LSB reaches 1 LSB, rounding 0.5 (Wannamaker, Lipshitz, Vanderkooy, Wright, IEEE Trans.
Signal Processing 48(2), 2000); IEEE 754: rounding to a float of p bits moves a value by at most 2^-p of it.
"""

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np

from stager.containers.comparing import chunk_differences
from stager.containers.pcm import Samples
from stager.containers.source import AudioFile
from stager.containers.writing import CopyPlan
from stager.model import Encoding, StreamInfo
from stager.system.jit import sample_loop

DITHERED_LSB: Final = 1.5
ROUNDED_LSB: Final = 0.5
SLACK_LSB: Final = 1e-3
"""Room for the rounding of the product in 64-bit float, in LSB of a 32-bit grid."""
FLOAT_BITS: Final = {Encoding.FLOAT: 24, Encoding.DOUBLE: 52}
SMALLEST_FLOAT: Final = 2.0**-149
"""The step of 32-bit floats next to zero."""


class Tolerance(NamedTuple):
    """How far a sample may lie from original times gain: a part of it and a constant; the range it is held in."""

    relative: float
    absolute: float
    lowest: float
    highest: float


class CopyCheck:
    """Compares a finished copy with its plan while the samples of the copy are read; blocks may be cut anywhere.

    The original of the plan must be open until the last block was fed.
    """

    def __init__(self, plan: CopyPlan, copy: AudioFile) -> None:
        self._plan, self._copy = plan, copy
        self._tolerance, self._factor = _tolerance(plan), plan.gain.factor if plan.gain else 1.0
        self._original = plan.processed() if plan.processed else plan.source.blocks()
        self._rest: Samples = np.zeros((0, plan.info.channels))
        self._frames = 0
        self._differs: str | None = next(_differences(plan, copy), None)

    def update(self, block: Samples) -> None:
        """Take in the next block of the copy, (frames, channels); nothing is compared behind the first difference."""
        while self._differs is None and len(block):
            if not len(self._rest):
                self._rest = next((part for part in self._original if len(part)), self._rest)
            count = min(len(block), len(self._rest))
            if not count:
                self._differs = f"it goes on behind frame {self._frames:,}, where its original ends"
                return
            self._compare(self._rest[:count], block[:count])
            self._rest, block = self._rest[count:], block[count:]
            self._frames += count

    def difference(self) -> str | None:
        """Return what is wrong with the copy, once all of it was fed; None where it is what it should be."""
        if self._differs is None and self._frames != self._plan.info.frames:
            return f"it ends at frame {self._frames:,} of {self._plan.info.frames:,}"
        return self._differs

    def _compare(self, before: Samples, after: Samples) -> None:
        flat = before.ravel(), after.ravel()
        if _count_too_far(*flat, self._factor, self._tolerance):
            at = _first_too_far(*flat, self._factor, self._tolerance)
            frame, channel = divmod(at, after.shape[1])
            expected, found = float(before[frame, channel]) * self._factor, float(after[frame, channel])
            place = f"frame {self._frames + frame:,} of channel {channel + 1}"
            self._differs = f"{place} should be {expected:+.9f} and is {found:+.9f}"


def confirm_copy(plan: CopyPlan, copy: AudioFile) -> str | None:
    """Return what is wrong with a finished copy, opened anew, in words that follow its name; None where nothing is.

    Raises:
        StemError: where the original or the copy can't be read.
    """
    check = CopyCheck(plan, copy)
    for block in copy.blocks():
        check.update(block)
    return check.difference()


def _differences(plan: CopyPlan, copy: AudioFile) -> Iterator[str]:
    """Compare the shape of a copy, and its chunks and tags, with its plan."""
    for what in ("encoding", "valid_bits", "sample_rate_hz", "channels", "frames"):
        expected, found = getattr(plan.info, what), getattr(copy.info, what)
        if expected != found:
            yield f"its {what} should be {expected} and is {found}"
    yield from chunk_differences(plan.source, copy, plan.what, as_it_is=plan.gain is None)


def _tolerance(plan: CopyPlan) -> Tolerance:
    """How far a sample of this plan's copy may lie from original times gain; not at all in a copy as it is."""
    info: StreamInfo = plan.info
    if plan.gain is None:
        return Tolerance(0.0, 0.0, -np.inf, np.inf)
    if not info.encoding.is_integer:
        return Tolerance(2.0 ** -FLOAT_BITS[info.encoding] * (1.0 + 1e-6), SMALLEST_FLOAT, -np.inf, np.inf)
    lsb = 2.0 ** (1 - info.valid_bits)
    steps = (DITHERED_LSB if plan.gain.dithered else ROUNDED_LSB) + SLACK_LSB
    return Tolerance(0.0, steps * lsb, -1.0, 1.0 - lsb)


@sample_loop
def _is_too_far(before: float, after: float, factor: float, tolerance: Tolerance) -> bool:
    """Return whether a sample is too far from original times gain; what is no number is too far from anything."""
    expected = min(max(before * factor, tolerance.lowest), tolerance.highest)
    return not abs(after - expected) <= tolerance.relative * abs(expected) + tolerance.absolute


@sample_loop
def _count_too_far(before: Samples, after: Samples, factor: float, tolerance: Tolerance) -> int:
    """Return how many interleaved samples are too far: without a way out of the loop, several are compared at once."""
    count = 0
    for i in range(len(after)):
        count += _is_too_far(before[i], after[i], factor, tolerance)
    return count


@sample_loop
def _first_too_far(before: Samples, after: Samples, factor: float, tolerance: Tolerance) -> int:
    """Return the index of the first interleaved sample that is too far, of which there is one."""
    i = 0
    while not _is_too_far(before[i], after[i], factor, tolerance):
        i += 1
    return i
