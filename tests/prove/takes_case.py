"""One invented take and what is true of it."""

from dataclasses import dataclass

from tests.prove.takes_faults import Array
from tests.support.wavefile import Kind


@dataclass(frozen=True)
class Case:
    """One invented take and the truth about it.

    `samples` are (frames, channels), exactly as the file holds them; `expected` is the finding's code, None where there
    is nothing to find; `channels` count from 1; `at_rail` and `events` are those of the channel that has most;
    `accepts` are the verdicts that are right; `bound` says whether it counts against the bound; `at_s` is where the
    first faults are.
    """

    name: str
    sound: str
    kind_of_sound: str
    fault: str
    variant: str
    depth_db: float | None
    samples: Array
    sample_rate_hz: int
    kind: Kind
    expected: str | None
    channels: tuple[int, ...]
    at_rail: int
    events: int
    pitch_hz: float
    accepts: frozenset[str]
    bound: bool
    at_s: tuple[float, ...]

    @property
    def encoding(self) -> str:
        """The encoding's name."""
        return self.kind.name
