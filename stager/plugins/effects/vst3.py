"""Hosts a VST3 effect through pedalboard, the only module to import it. Runs in a worker process alone.

pedalboard computes in 32-bit float: what goes in and what comes out is rounded to 24 significant bits, each time by up
to 2^-25 of full scale: a quarter of a step of a 24-bit copy, under its dither. It takes the smaller dimension of a
block for its channels, so short blocks are gathered first. It makes up for the latency that an effect reports, and
holds that much back at the end; zeros bring it out. It lets a misspelt parameter pass, so names are compared before.
All of it was measured with its version 0.9.26.
"""

from pathlib import Path
from typing import Any, ClassVar, Final, Protocol, cast

import numpy as np
import pedalboard
from numpy.typing import NDArray

from stager.model import Record
from stager.plugins.effects.settings import HostSettings
from stager.plugins.kinds import Samples, Step, Stream

GATHERED_FRAMES: Final = 8192
"""Frames handed to an effect at a time, whatever the blocks are: so the result does not depend on their cut."""
LONGEST_LATENCY_FRAMES: Final = 1 << 20
"""Zeros that are fed to bring the last samples out, before an effect counts as one that keeps them (own figure)."""


class Effect(Protocol):
    """The part of pedalboard's effects that is used."""

    def process(self, input_array: NDArray[np.float32], sample_rate: float, *, reset: bool) -> NDArray[np.float32]:
        """Process (channels, frames); with reset=False as the next part of a stream."""

    def reset(self) -> None:
        """Clear the effect's state."""


class EffectStream:
    """Feeds an effect so that what comes out has the length of what went in, whatever its latency."""

    def __init__(self, effect: Effect, stream: Stream) -> None:
        self._effect, self._rate_hz, self._channels = effect, stream.sample_rate_hz, stream.channels
        self._gathered: list[Samples] = []
        self._waiting = self._fed = self._given = 0
        effect.reset()

    def process(self, block: Samples) -> Samples:
        """Take in a block and return the output that is ready, (frames, channels)."""
        self._gathered.append(block)
        self._waiting += len(block)
        if self._waiting < GATHERED_FRAMES:
            return np.zeros((0, self._channels))
        whole = np.concatenate(self._gathered)
        end = len(whole) - len(whole) % GATHERED_FRAMES
        self._gathered, self._waiting = [whole[end:]], len(whole) - end
        self._fed += end
        parts = [self._passed(whole[start : start + GATHERED_FRAMES]) for start in range(0, end, GATHERED_FRAMES)]
        return self._noted(np.concatenate(parts))

    def finish(self) -> Samples:
        """Return the samples that the effect still holds.

        Raises:
            ValueError: where it never returns all of them.
        """
        self._fed += self._waiting
        rest = [*self._gathered, np.zeros((GATHERED_FRAMES - self._waiting, self._channels))]
        parts, zeros = [self._passed(np.concatenate(rest))], np.zeros((GATHERED_FRAMES, self._channels))
        missing = self._fed - self._given
        for _ in range(LONGEST_LATENCY_FRAMES // GATHERED_FRAMES):
            if sum(map(len, parts)) >= missing:
                return self._noted(np.concatenate(parts)[:missing])
            parts.append(self._passed(zeros))
        raise ValueError(f"expected as many frames as went in, found {missing - sum(map(len, parts))} fewer")

    def _passed(self, block: Samples) -> Samples:
        out = self._effect.process(np.ascontiguousarray(block.T, np.float32), float(self._rate_hz), reset=False)
        return np.asarray(out, np.float64).reshape(self._channels, -1).T

    def _noted(self, block: Samples) -> Samples:
        self._given += len(block)
        return block


class Host(Step):
    """Runs a VST3 effect, with a preset and parameters by name; in 32-bit float, its latency made up for."""

    name: ClassVar[str] = "host"
    settings: ClassVar[type[Record]] = HostSettings
    isolated: ClassVar[bool] = True

    def __init__(self, settings: HostSettings, stream: Stream) -> None:
        super().__init__(settings, stream)
        self.tail_frames = round(settings.tail_s * stream.sample_rate_hz)
        self.out = Stream(stream.sample_rate_hz, stream.channels, stream.frames + self.tail_frames)
        self._stream = EffectStream(_loaded(settings), stream)

    def process(self, block: Samples) -> Samples:
        """Process the next block."""
        return self._stream.process(block)

    def finish(self) -> Samples:
        """Return the samples that the effect still holds."""
        return self._stream.finish()


def _loaded(settings: HostSettings) -> Effect:
    try:
        file = str(Path(settings.file).absolute())
        effect: Any = pedalboard.load_plugin(file, plugin_name=settings.plugin)  # type: ignore[attr-defined]
    except (ImportError, RuntimeError) as error:
        raise ValueError(f"expected a VST3 effect, found: {error}") from error
    if not effect.is_effect:
        raise ValueError(f"expected an effect, found that {effect.name} is none")
    if settings.preset:
        effect.load_preset(str(Path(settings.preset).absolute()))
    set_parameters(effect, settings.parameters)
    return cast("Effect", effect)


def set_parameters(effect: Any, values: dict[str, float | str | bool]) -> None:  # noqa: ANN401 - untyped library
    """Set parameters of an effect by name.

    Raises:
        ValueError: where it has no such parameter, or refuses the value.
    """
    known = list(effect.parameters)
    for name, value in values.items():
        if name not in known:
            raise ValueError(f"expected one of its parameters ({', '.join(known)}), found {name!r}")
        setattr(effect, name, value)
