"""A take as it was judged: the public record of `takes.json`."""

from stager.model.base import Record
from stager.model.finding import Finding, Verdict
from stager.model.levels import Levels
from stager.model.sidecar import Advice
from stager.model.stem import SourceInfo

TAKES_SCHEMA = "stager/takes/1"


class Take(Record):
    """One recording, measured and judged; `take` is its path below the folder of takes, `at` when it was judged.

    `advice` says how far to turn the input before the next one; `learned` what it tells beside earlier ones.
    """

    take: str
    at: str
    source: SourceInfo
    levels: Levels
    findings: tuple[Finding, ...]
    verdict: Verdict
    advice: Advice | None
    learned: str | None = None


class RefusedTake(Record):
    """A recording that can't be judged: `refused` is the refusal code, `says` what was expected and what was found."""

    take: str
    at: str
    refused: str
    says: str


TakeOutcome = Take | RefusedTake
