"""A take: a recording just made, judged or refused, and its comparison with earlier takes of the same part."""

from typing import Final, Literal

from stager.model.base import Record
from stager.model.finding import Finding, Verdict
from stager.model.levels import Levels
from stager.model.sidecar import Advice
from stager.model.stem import SourceInfo

TAKES_SCHEMA: Final = "stager/takes/1"
LIFT_SCHEMA: Final = "stager/lift/1"


class Take(Record):
    """One recording, measured and judged; `take` is its path below the folder of takes, `at` when it was judged.

    `advice` says how far to turn the input before the next one; `learned` how it differs from earlier ones of its part.
    `level_check` says whether it counts as a level check, by a mark in its name or as the first short one of its part.
    """

    take: str
    at: str
    source: SourceInfo
    levels: Levels
    findings: tuple[Finding, ...]
    verdict: Verdict
    advice: Advice | None
    learned: str | None = None
    level_check: bool = False


class RefusedTake(Record):
    """A recording that can't be judged: `refused` is the refusal code, `says` what was expected and what was found."""

    take: str
    at: str
    refused: str
    says: str


TakeOutcome = Take | RefusedTake
"""What becomes of a recording in the folder of takes."""


class TakeLevels(Record):
    """The figures of a take that later ones are compared with; `stem` is its path, `at` an ISO 8601 time.

    Average and noise floor are RMS in dBFS of a sine (AES17), the peak is the sample peak; None for silence, and for
    a part that never pauses.
    """

    stem: str
    at: str
    average_dbfs: float | None
    sample_peak_dbfs: float | None
    noise_floor_dbfs: float | None
    verdict: Verdict


class LiftPair(Record):
    """The rise of one part, in dB of sample peak, from a level check to a take under the same input gain.

    `song` and `check` say of which song and level check, so that one with many takes counts once; `take` of which take.
    """

    part: str
    rise_db: float
    song: str = ""
    check: str = ""
    take: str = ""


class LearnedLift(Record):
    """By how much one part is played louder in takes than in the level check before them, from `pairs` of both.

    A pair is a level check and the takes after it, by the median rise of these. The median of all pairs in dB, and the
    lowest and the highest one.
    """

    pairs: int
    median_db: float
    lowest_db: float
    highest_db: float
    part: str = ""


WhatChanged = Literal["input", "playing", "noise"]


class TakeComparison(Record):
    """How the newest take differs from earlier ones of its part.

    `changed` is what moved: the input, the playing, or the noise alone. The changes in dB are of the newest take
    against `earlier`, the names of the takes before it that had one input gain; `says` is the sentence.
    """

    changed: WhatChanged
    earlier: tuple[str, ...]
    level_change_db: float
    noise_change_db: float
    says: str
