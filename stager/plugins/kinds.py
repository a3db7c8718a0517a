"""The four kinds of plug-in, as base classes: a meter, a check, a rule, a step.

A plug-in is a class with a `name`, a `version` and a frozen settings model. A package announces it as an entry point of
the group that its kind names (`stager.meters`, `stager.checks`, `stager.rules`, `stager.steps`); a file that a project
names is searched for such classes. One object serves one stem and is thrown away.
"""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from stager.model import Finding, Levels, Record
from stager.plugins.groups import CHECKS, METERS, RULES, STEPS, NoSettings

Samples = NDArray[np.float64]
"""A block: (frames, channels) float64, full scale is 1.0."""

AnySettings = Record
"""The base class of every settings model: frozen, strict, no unknown keys, no NaN."""


@dataclass(frozen=True)
class Stream:
    """The shape of a stream of samples: its rate, its channels, and how many frames there are in all."""

    sample_rate_hz: int
    channels: int
    frames: int


class Plugin(ABC):
    """What all four kinds have in common: name, version, settings model.

    `isolated` marks a built-in plug-in that loads foreign code: it runs in a worker process, as foreign plug-ins do.
    """

    name: ClassVar[str]
    version: ClassVar[str] = "1"
    group: ClassVar[str]
    settings: ClassVar[type[Record]] = NoSettings
    isolated: ClassVar[bool] = False


class Step(Plugin):
    """Processing before the trim: blocks in, blocks out, of any cut, and the same samples for every cut.

    The first `latency_frames` of what comes out are dropped; the input is followed by as many frames of zeros, and by
    `tail_frames` more, so that what is still inside comes out. What comes out then has `out.frames` frames: as many as
    went in, unless the step says otherwise; one that adds a tail says so. `deterministic` says that the same input
    gives the same output, to the bit, so that a copy can be proven by running the step again. A step with
    `listens_first` gets the whole input through `listen` before the first block is processed.
    """

    group: ClassVar[str] = STEPS
    deterministic: ClassVar[bool] = True
    listens_first: bool = False
    latency_frames: int = 0
    tail_frames: int = 0
    out: Stream

    def __init__(self, settings: Any, stream: Stream) -> None:  # noqa: ANN401, ARG002 - the plug-in's own
        """Prepare for one stem; `settings` is an object of the plug-in's own model.

        Raises:
            ValueError: where these settings can't be applied to such a stream; the sentence is the stem's refusal.
        """
        self.out = stream

    def listen(self, block: Samples) -> None:
        """Take in the next block of a first pass through the input."""

    @abstractmethod
    def process(self, block: Samples) -> Samples:
        """Return the output for the next block, (frames, channels) float64; may be shorter or longer."""

    def finish(self) -> Samples:
        """Return the samples still buffered once the input, and the zeros behind it, have ended."""
        return np.zeros((0, self.out.channels))


class Meter(Plugin):
    """An additional measure: fed the blocks that the trim is decided on; its figures go into `levels.extra`."""

    group: ClassVar[str] = METERS

    def __init__(self, settings: Any, stream: Stream) -> None:  # noqa: ANN401
        """Prepare for one stem."""

    @abstractmethod
    def update(self, block: Samples) -> None:
        """Take in the next block, (frames, channels) float64."""

    @abstractmethod
    def result(self) -> Mapping[str, float | None]:
        """Return the figures by name; None is silence."""


class Check(Plugin):
    """An additional judgement: from the levels of a stem, and of the song's other stems, to findings.

    `codes` are all codes that its findings may have, so that a project file can allow them; none given: its name.
    """

    group: ClassVar[str] = CHECKS
    codes: ClassVar[tuple[str, ...]] = ()

    def __init__(self, settings: Any) -> None:  # noqa: ANN401
        """Prepare for one stem."""

    @abstractmethod
    def findings(self, stem: str, levels: Levels, others: Mapping[str, Levels]) -> list[Finding]:
        """Return the findings of a stem; `others` are the levels of the other stems, by name.

        While a stem is staged, these are the stems that have a copy by then; when the set is checked, all others.
        """


@dataclass(frozen=True)
class Wanted:
    """What a rule asks for: a gain, and a sentence that says why."""

    gain_db: float
    because: str


class Rule(Plugin):
    """A target of one's own: from a stem's levels to the gain it should have. Ceiling and boost limit stay in force."""

    group: ClassVar[str] = RULES

    def __init__(self, settings: Any) -> None:  # noqa: ANN401
        """Prepare for one stem."""

    @abstractmethod
    def wanted(self, levels: Levels) -> Wanted:
        """Return the gain that this stem should have, before ceiling and boost limit."""


KINDS: tuple[type[Plugin], ...] = (Meter, Check, Rule, Step)
"""The four kinds."""


def kind_of(plugin: type[Plugin]) -> str:
    """Return the word for a plug-in's kind, such as `step`."""
    return plugin.group.removeprefix("stager.").removesuffix("s")
