"""The log of a pack, `pack.json`: what each file in it is made of, and the proof that it adds up."""

from typing import Final, Literal

from pydantic import Field

from stager.model.base import Record
from stager.model.bus import BalanceResidual
from stager.model.sidecar import StagerStamp
from stager.model.stem import Encoding

PACK_SCHEMA: Final = "stager/pack/1"


class PackedSource(Record):
    """The file that a packed one was made of: `path` is relative to the project file, with `/`, as in a sidecar."""

    path: str
    path_bytes: str | None = None
    sha256: str


class PackedFile(Record):
    """One stem in a pack: digital silence, the samples of its source bit for bit, digital silence.

    `fader_db` is the fader move that brings the rough balance back; `steps` are those that its copy went through.
    """

    file: str
    sha256: str
    stem: str
    role: str | None = None
    link: str | None = None
    source: PackedSource
    encoding: Encoding
    channels: int
    lead_frames: int
    frames: int
    tail_frames: int
    fader_db: float
    pan: float
    steps: tuple[str, ...] = ()
    says: str


class RoughMixFile(Record):
    """The rough mix in a pack: the file that was given, or the sum of the pack with the fader list.

    `gain_db` is what the sum was lowered by to keep its true peak under -1 dBTP; levels are None where they are not
    known.
    """

    file: str
    sha256: str
    made_of: Literal["given", "sum"]
    gain_db: float = 0.0
    true_peak_dbtp: float | None = None
    loudness_lufs: float | None = None


class NotPacked(Record):
    """A stem that is not in a pack, and why."""

    stem: str
    says: str


class Pack(Record):
    """A whole pack. `start_frames` is the time stamp that all its files have, None where no stem has one."""

    schema_: Literal["stager/pack/1"] = Field(PACK_SCHEMA, alias="schema")
    project: str
    stager: StagerStamp
    packed_at: str
    made_of: Literal["copies", "originals"]
    sample_rate_hz: int
    frames: int
    start_frames: int | None = None
    files: tuple[PackedFile, ...]
    rough_mix: RoughMixFile
    balance: BalanceResidual
    without_stamp: tuple[str, ...] = ()
    stamps_doubted: tuple[str, ...] = ()
    not_packed: tuple[NotPacked, ...] = ()

    def to_json(self) -> str:
        """Return the pack's log as the JSON text that lies in it."""
        return self.model_dump_json(by_alias=True, indent=2) + "\n"


def read_pack(text: bytes) -> Pack:
    """Parse a pack's log; unknown keys are passed over.

    Raises:
        ValueError: where a known key is missing or of another kind.
    """
    return Pack.model_validate_json(text, extra="ignore")
