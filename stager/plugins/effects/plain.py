"""Steps without a filter: DC removal, polarity, a fold to mono, a delay by whole frames."""

from typing import ClassVar

import numpy as np

from stager.model import Record
from stager.plugins.effects.settings import AlignSettings, FlipPolaritySettings, FoldMonoSettings
from stager.plugins.groups import NoSettings
from stager.plugins.kinds import Samples, Step, Stream


class RemoveDc(Step):
    """Removes the constant part: each channel's mean over the whole stem. No latency, no tail."""

    name: ClassVar[str] = "remove_dc"
    listens_first: bool = True

    def __init__(self, settings: NoSettings, stream: Stream) -> None:
        super().__init__(settings, stream)
        self._sums = np.zeros(stream.channels)
        self._frames = stream.frames

    def listen(self, block: Samples) -> None:
        """Sum up each channel."""
        self._sums += block.sum(axis=0)

    def process(self, block: Samples) -> Samples:
        """Return the block less the mean."""
        return np.asarray(block - self._sums / max(1, self._frames))


class FlipPolarity(Step):
    """Inverts the polarity of one channel, or of all."""

    name: ClassVar[str] = "flip_polarity"
    settings: ClassVar[type[Record]] = FlipPolaritySettings

    def __init__(self, settings: FlipPolaritySettings, stream: Stream) -> None:
        super().__init__(settings, stream)
        if settings.channel > stream.channels:
            raise ValueError(f"expected a channel from 1 to {stream.channels}, found {settings.channel}")
        self._signs = np.ones(stream.channels)
        self._signs[settings.channel - 1 if settings.channel else slice(None)] = -1.0

    def process(self, block: Samples) -> Samples:
        """Return the next block inverted."""
        return np.asarray(block * self._signs)


class FoldMono(Step):
    """Makes one channel of several. The mean of two equal channels is that channel, to the bit."""

    name: ClassVar[str] = "fold_mono"
    settings: ClassVar[type[Record]] = FoldMonoSettings

    def __init__(self, settings: FoldMonoSettings, stream: Stream) -> None:
        super().__init__(settings, stream)
        if settings.take != "mean" and stream.channels > 2:
            raise ValueError(
                f"expected a stem of two channels to take the {settings.take} one, found {stream.channels}"
            )
        self.out = Stream(stream.sample_rate_hz, 1, stream.frames)
        self._take = settings.take

    def process(self, block: Samples) -> Samples:
        """Fold the next block, (frames, 1)."""
        if self._take == "mean":
            return np.asarray(block.mean(axis=1, keepdims=True))
        return block[:, :1] if self._take == "left" else block[:, -1:]


class Align(Step):
    """Moves a stem by whole frames. Later: zeros come first, and the stem grows, so that nothing is lost at its end.

    Earlier: its first frames are dropped, and zeros keep its length.
    """

    name: ClassVar[str] = "align"
    settings: ClassVar[type[Record]] = AlignSettings

    def __init__(self, settings: AlignSettings, stream: Stream) -> None:
        super().__init__(settings, stream)
        later, earlier = max(0, settings.delay_frames), max(0, -settings.delay_frames)
        self.out = Stream(stream.sample_rate_hz, stream.channels, stream.frames + later)
        self.tail_frames, self.latency_frames = later, earlier
        self._held = np.zeros((later, stream.channels))

    def process(self, block: Samples) -> Samples:
        """Return the input delayed by the set number of frames."""
        held = np.concatenate((self._held, block))
        self._held = held[len(block) :]
        return held[: len(block)]
