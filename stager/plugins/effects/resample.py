"""Converts the sample rate by the soxr library in its best quality; the only module to import it.

Its version 1.1.0 was measured: worst spur at -188 dB in this quality, no delay, the length is the exact ratio rounded
half up, and cutting the stream into blocks changes no bit.
"""

from typing import ClassVar, Final

import numpy as np
import soxr

from stager.model import Record
from stager.plugins.effects.settings import ResampleSettings
from stager.plugins.kinds import Samples, Step, Stream

QUALITY: Final = "VHQ"


class Resample(Step):
    """Brings a stem to another sample rate, its length and time stamp with it. One at that rate passes as it is."""

    name: ClassVar[str] = "resample"
    settings: ClassVar[type[Record]] = ResampleSettings

    def __init__(self, settings: ResampleSettings, stream: Stream) -> None:
        super().__init__(settings, stream)
        before, after = stream.sample_rate_hz, settings.rate_hz
        self.out = Stream(after, stream.channels, resampled_frames(stream.frames, before, after))
        same = before == after
        self._soxr = None if same else soxr.ResampleStream(before, after, stream.channels, "float64", QUALITY)

    def process(self, block: Samples) -> Samples:
        """Return what is ready after this block, at the new rate; may be empty, as the filter holds samples back."""
        return block if self._soxr is None else self._passed(block)

    def finish(self) -> Samples:
        """Return the samples that the filter still holds."""
        nothing = np.zeros((0, self.out.channels))
        return nothing if self._soxr is None else self._passed(nothing, last=True)

    def _passed(self, block: Samples, *, last: bool = False) -> Samples:
        assert self._soxr is not None
        passed = self._soxr.resample_chunk(np.ascontiguousarray(block), last=last)
        return np.asarray(passed, np.float64).reshape(-1, self.out.channels)


def resampled_frames(frames: int, before_hz: int, after_hz: int) -> int:
    """Return the frames at another rate that last as long as these, to the nearest, halves up."""
    return (2 * frames * after_hz + before_hz) // (2 * before_hz)
