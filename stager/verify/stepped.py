"""The sound before the trim, of a copy that went through steps: they are run once more, where they can be.

Such a copy is no pure trim, and that is said. Where a step is there in the version that its sidecar names, and gives
the same for the same, it is run again on the original, and the copy is compared with what comes out.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol

from stager.containers import BLOCK_SAMPLES, AudioFile
from stager.model import PluginUse, Sidecar, StepStamp, StreamInfo
from stager.plugins.catalogue import named
from stager.plugins.chain import Work, stepped
from stager.plugins.kinds import Samples, Step
from stager.plugins.reblock import recut
from stager.project import Project
from stager.staging.steps import stepped_info, stream_of


class Before(Protocol):
    """What the trim was applied to: a stream and its samples."""

    @property
    def info(self) -> StreamInfo:
        """The stream."""

    def blocks(self) -> Iterator[Samples]:
        """Yield the samples in order, in the blocks of an `AudioFile`."""


class Proof(Protocol):
    """What is collected about a copy while it is verified."""

    steps: tuple[str, ...]
    notes: list[str]


@dataclass(frozen=True)
class Stepped:
    """An original with its steps run on it, anew each time that it is asked for its samples."""

    info: StreamInfo
    original: AudioFile
    work: Work

    def blocks(self) -> Iterator[Samples]:
        """Yield what comes out of the last step."""
        with stepped(self.work, stream_of(self.original.info), self.original.blocks) as (_, blocks):
            yield from recut(blocks, max(1, BLOCK_SAMPLES // self.info.channels), self.info.channels)


@contextmanager
def before_trim(project: Project, sidecar: Sidecar, original: AudioFile, proof: Proof) -> Iterator[Before | None]:
    """Yield what a copy's trim was applied to: the original, or with steps what they make of it; None where none can.

    Raises:
        StepFailed: where a step fails now.
    """
    if not sidecar.steps:
        yield original
        return
    proof.steps = tuple(step.name for step in sidecar.steps)
    proof.notes.append(f"not a pure trim: {', '.join(proof.steps)} came before it")
    uses = [_use_of(project, stamp) for stamp in sidecar.steps]
    pairs = zip(sidecar.steps, uses, strict=True)
    lost = [stamp for stamp, use in pairs if use is None or not use.source.deterministic]
    if lost:
        names = ", ".join(f"{stamp.name} {stamp.version} of {stamp.origin}" for stamp in lost)
        proof.notes.append(f"its samples can't be proven: {names} isn't here, or never gives the same twice")
        yield None
        return
    work = Work(sidecar.stem, tuple(use for use in uses if use), project.folder)
    with stepped(work, stream_of(original.info), original.blocks) as (shape, _):
        info = stepped_info(original.info, shape)
    proof.notes.append("its steps were run again on the original")
    yield Stepped(info, original, work)


def _use_of(project: Project, stamp: StepStamp) -> PluginUse | None:
    """The step that a sidecar names, in the same version: one that the project uses, or an installed one."""
    used = [use.source for use in project.plugins]
    installed = [found.source for found in named(Step.group, stamp.name) if not found.fault]
    wanted = (Step.group, stamp.name, stamp.version, stamp.origin)
    for source in (*used, *installed):
        if (source.group, source.name, source.version, source.origin) == wanted:
            return PluginUse(source=source, match=("*",), settings=stamp.settings)
    return None
