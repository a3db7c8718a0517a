"""The summary of runs, for rooms that do without arrays."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class RunSummary:
    """The summary of runs, of which there may be millions; frames and channels count from 0.

    `starts` are the first frames of the earliest ones, in order; `total_frames` adds up all of every channel.
    """

    count: int
    total_frames: int
    channels: tuple[int, ...]
    starts: tuple[int, ...]
    longest_start: int
    longest_frames: int


NO_RUNS: Final = RunSummary(0, 0, (), (), 0, 0)
