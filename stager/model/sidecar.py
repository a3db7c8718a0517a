"""The sidecar of a copy, and the outcome of a stem: `Staged` or `Refused`. The schema is a public contract."""

from dataclasses import dataclass, field
from typing import Final, Literal

from pydantic import Field

from stager.model.base import Record
from stager.model.decision import TrimDecision
from stager.model.finding import Finding, Verdict
from stager.model.levels import Levels
from stager.model.plugin import StepStamp
from stager.model.stem import Encoding, SourceInfo
from stager.model.words import ANY_WORDS

SIDECAR_SCHEMA: Final = "stager/sidecar/1"


class ChunkLog(Record):
    """Which chunks of a WAVE file were kept, rewritten and dropped, by their four-character names in file order."""

    kept: tuple[str, ...] = ()
    rewritten: tuple[str, ...] = ()
    dropped: tuple[str, ...] = ()


class CopyInfo(Record):
    """The copy, measured again after it was written; `path` is relative to the project file."""

    path: str
    sha256: str
    encoding: Encoding
    dither: Literal["tpdf", "none"]
    bit_identical: bool
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    average_dbfs: float | None
    chunks: ChunkLog
    not_carried: tuple[str, ...] = ()


class Advice(Record):
    """How far to turn the input before the next take: whole dB, and a sentence.

    Where the loudest moment may be a bump or the playing, `input_change_db` is the safe number, which holds for
    playing, and `alternative_change_db` the one for a bump; neither should be shown large then.
    """

    input_change_db: int
    alternative_change_db: int | None = None
    says: str

    @property
    def clear_change_db(self) -> int | None:
        """The one number that holds, and may be shown large; None where there are two."""
        return self.input_change_db if self.alternative_change_db is None else None


class ProjectStamp(Record):
    """Which project's settings were in force; `file` is its file, relative to the folder of the sidecar."""

    name: str
    settings_sha256: str
    file: str | None = None


class StagerStamp(Record):
    """Which version of this package decided."""

    version: str


class Sidecar(Record):
    """The log of a copy. It is written last and removed first, so where it exists the copy is complete.

    Only a dry run, which writes neither, returns one without `copy`.
    """

    schema_: Literal["stager/sidecar/1"] = Field(SIDECAR_SCHEMA, alias="schema")
    stem: str
    version: int
    source: SourceInfo
    levels: Levels
    trim: TrimDecision
    findings: tuple[Finding, ...]
    verdict: Verdict
    advice: Advice | None = None
    copy_: CopyInfo | None = Field(alias="copy")
    steps: tuple[StepStamp, ...] = ()
    project: ProjectStamp
    stager: StagerStamp
    staged_at: str

    def to_json(self) -> str:
        """Return the sidecar as the JSON text that lies beside the copy."""
        return self.model_dump_json(by_alias=True, indent=2) + "\n"


def read_sidecar(text: str | bytes) -> Sidecar:
    """Parse a sidecar; unknown keys, from a later version or another program, are passed over.

    Raises:
        ValueError: where a known key is missing or of another kind.
    """
    return Sidecar.model_validate_json(text, extra="ignore", context=ANY_WORDS)


@dataclass(frozen=True)
class Staged:
    """A stem whose copy lies in the outbox; `fresh` where this run made it, not an earlier one.

    `called_before` is the name under which the same bytes lay in the inbox until now.
    """

    sidecar: Sidecar
    fresh: bool = True
    called_before: str | None = None

    @property
    def stem(self) -> str:
        """Its path below the inbox."""
        return self.sidecar.stem


@dataclass(frozen=True)
class Refused:
    """A stem without a copy: `refused` is the refusal code, `says` what was expected and what was found.

    `traceback` is that of an unexpected error, else empty; no document has it.
    """

    stem: str
    path: str
    refused: str
    says: str
    traceback: str = field(default="", repr=False, compare=False)

    def to_data(self) -> dict[str, object]:
        """Return the refusal as it stands in every JSON document."""
        return {"stem": self.stem, "source": {"path": self.path}, "refused": self.refused, "says": self.says}


Outcome = Staged | Refused
