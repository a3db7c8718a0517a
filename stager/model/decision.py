"""What a stem is brought to, and the trim that was decided with its reason."""

from enum import StrEnum
from typing import Annotated, Final, Literal

from pydantic import Field, WithJsonSchema

from stager.model.base import Record
from stager.model.levels import Reference
from stager.model.words import word_of, word_schema

OWN_RULES: Final = ("average", "loudness", "vu", "peak", "leave")
"""Our own rules; any other word is the name of a plug-in's."""

Rule = Annotated[
    str,
    word_of(OWN_RULES, lambda words: words.rules),
    WithJsonSchema(word_schema(OWN_RULES, "the name of a plug-in's rule")),
]
Level = Annotated[float, Field(ge=-100.0, le=20.0)]


class Target(Record):
    """What a stem is brought to; the keys and defaults of `[target]` in a project file."""

    rule: Rule = Field("average", description="which figure of the stem is brought to level_db")
    level_db: Level = Field(-18.0, description="dBFS for average, vu and peak; LUFS for loudness")
    reference: Reference = Field("sine", description="sine: a full-scale sine reads 0 dBFS RMS (AES17); square: -3.01")
    channels: Literal["loudest", "mean"] = Field("loudest", description="the loudest channel, or their power mean")
    tolerance_db: float = Field(1.0, ge=0.0, le=24.0, description="inside it, and under the ceiling, the trim is 0")
    ceiling_dbtp: float = Field(-3.0, ge=-60.0, le=0.0, description="true peak that no copy may exceed; never limited")
    max_boost_db: float = Field(18.0, ge=0.0, le=60.0, description="the largest raise")
    step_db: float = Field(0.1, ge=0.001, le=6.0, description="trims are rounded down to whole steps of this")


class DecidedBy(StrEnum):
    """What fixed the trim."""

    TARGET = "target"
    TOLERANCE = "tolerance"
    CEILING = "ceiling"
    BOOST_LIMIT = "boost_limit"
    LINK = "link"
    SILENT = "silent"
    LEAVE = "leave"


class ReasonCode(StrEnum):
    """Kinds of reasons for a trim; each has one sentence, in the judge's room."""

    LEAVE = "leave"
    SILENT = "silent"
    TOLERANCE = "tolerance"
    UNDER_ONE_STEP = "under_one_step"
    TARGET = "target"
    CEILING = "ceiling"
    BOOST_LIMIT = "boost_limit"
    LINK_SILENT = "link_silent"
    LINK_TOLERANCE = "link_tolerance"
    LINK_TARGET = "link_target"
    LINK_UNDER_ONE_STEP = "link_under_one_step"
    LINK_CEILING = "link_ceiling"
    LINK_BOOST_LIMIT = "link_boost_limit"
    LINK_FALLBACK = "link_fallback"
    LINK_FOLLOWS = "link_follows"
    OWN_RULE = "own_rule"
    OWN_GAIN = "own_gain"
    OWN_CEILING = "own_ceiling"
    OWN_BOOST_LIMIT = "own_boost_limit"
    FALLBACK = "fallback"
    SHORT = "short"
    BUS_OFFSET = "bus_offset"


class Reason(Record):
    """One part of why a trim is what it is: what weighed, with the figures and names of its sentence."""

    code: ReasonCode
    values: dict[str, float | str] = Field(default_factory=dict)


class TrimDecision(Record):
    """One constant gain, every limit that was considered, and why: `because` renders `reasons`, which no file holds.

    `wanted_gain_db` is what the rule asked for, 0 where the stem lies inside the tolerance and under the ceiling.
    `restore_fader_db` is the fader move that brings the rough balance back: minus `gain_db`.
    """

    gain_db: float
    wanted_gain_db: float | None
    decided_by: DecidedBy
    because: str
    role: str | None = None
    link: str | None = None
    limited_by_stem: str | None = None
    bus_offset_db: float = 0.0
    target: Target
    measured_db: float | None
    ceiling_allows_db: float | None
    boost_allows_db: float
    predicted_average_dbfs: float | None
    predicted_true_peak_dbtp: float | None
    restore_fader_db: float
    reasons: tuple[Reason, ...] = Field((), exclude=True)

    def __eq__(self, other: object) -> bool:
        """Return whether a file would hold the same of both: `because` is compared, not the reasons it came from."""
        return isinstance(other, TrimDecision) and self.model_dump() == other.model_dump()

    def __hash__(self) -> int:
        """Return a hash that agrees with equality."""
        return hash((self.gain_db, self.decided_by, self.because))
