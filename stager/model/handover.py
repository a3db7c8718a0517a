"""The facts of one stem that a whole set is judged by, and a finding about the set."""

from fractions import Fraction
from typing import Any

from pydantic import Field

from stager.model.base import Record
from stager.model.finding import Finding, Verdict
from stager.model.levels import Levels
from stager.model.stem import Encoding, StreamInfo


class StemFacts(Record):
    """The facts of one stem that the set is judged by: format, place in time, peaks, and its own findings.

    `stem` is the path below the inbox with `/`. `start_frames` is the time stamp of the first sample in frames of the
    stem's own rate, None where it has none. `used_bits` is the coarsest grid of integers on which every sample lies
    (`stager.detectors.unused_bits`), None for silence and where there is no such grid. `allow` holds the finding codes
    that are deliberate in its role. Silence is None.
    """

    stem: str
    role: str | None = None
    encoding: Encoding
    valid_bits: int
    sample_rate_hz: int = Field(gt=0)
    channels: int = Field(gt=0)
    frames: int
    start_frames: int | None = None
    sample_peak_dbfs: float | None = None
    true_peak_dbtp: float | None = None
    average_dbfs: float | None = None
    used_bits: int | None = None
    findings: tuple[Finding, ...] = ()
    allow: tuple[str, ...] = ()

    @property
    def codes(self) -> frozenset[str]:
        """The codes of its own findings."""
        return frozenset(finding.code for finding in self.findings)

    @property
    def length_s(self) -> Fraction:
        """Length in seconds, exact."""
        return Fraction(self.frames, self.sample_rate_hz)

    @property
    def start_s(self) -> Fraction | None:
        """Time stamp of the first sample in seconds, exact; None where it has none."""
        return None if self.start_frames is None else Fraction(self.start_frames, self.sample_rate_hz)


def stem_facts(stem: str, info: StreamInfo, levels: Levels, **known: Any) -> StemFacts:  # noqa: ANN401
    """Return the facts of a measured stem; `known` holds the other fields of `StemFacts`."""
    return StemFacts(
        stem=stem,
        encoding=info.encoding,
        valid_bits=info.valid_bits,
        sample_rate_hz=info.sample_rate_hz,
        channels=info.channels,
        frames=info.frames,
        sample_peak_dbfs=levels.sample_peak_dbfs,
        true_peak_dbtp=levels.true_peak_dbtp,
        average_dbfs=levels.average_dbfs,
        **known,
    )


class SetFinding(Record):
    """A finding about the set: the stems that it is about, and one sentence for a person.

    `at_s` is empty, or has one place for each of `stems`; so has each tuple in `measured`. Where the finding is about
    something that is missing, `stems` may be empty.
    """

    code: str
    verdict: Verdict
    stems: tuple[str, ...] = ()
    at_s: tuple[float, ...] = ()
    measured: dict[str, float | str | tuple[float, ...]] = Field(default_factory=dict)
    says: str

    def to_data(self) -> dict[str, Any]:
        """Return the finding as it stands in a JSON document."""
        return self.model_dump(mode="json")
