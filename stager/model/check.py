"""Findings of a set of stems as a whole: the document of `check`, and of `.stager/check.json`."""

from typing import Any, Final

from pydantic import Field

from stager.model.base import Record
from stager.model.bus import BalanceResidual, BusForecast, PlannedBus, Room, RoughMatch
from stager.model.finding import Verdict
from stager.model.handover import SetFinding
from stager.model.pairs import Kinship, LinkProposal

CHECK_SCHEMA: Final = "stager/check/1"


class Double(Record):
    """Two stems that were compared: how they are related, and how the second lies in time against the first."""

    stems: tuple[str, str]
    kind: Kinship
    lag_ms: float | None
    spread_ms: float | None
    says: str


class RefusedSource(Record):
    """The file of a refused stem, as a path relative to the project's folder."""

    path: str


class RefusedStem(Record):
    """A stem that could not be examined: `refused` is the refusal code, `traceback` that of an unexpected error."""

    stem: str
    source: RefusedSource
    refused: str
    says: str
    traceback: str = Field(default="", exclude=True, repr=False)


class TakenOutStem(Record):
    """A staged stem that is no longer in the inbox; its copy stays until somebody removes it."""

    stem: str
    copy_path: str


class SetReport(Record):
    """The set as a whole; `of` names the state of the stems that it was made of, `at` when.

    `offset_db` is what the bus asks of every trim, where `[bus] apply` is set. `pairs_left_out` counts the likely
    pairs that were not compared; where none was for the number of stems, all pairs there are. `starts_s` has the time
    stamp of each stem that has one, in s.
    """

    project: str
    at: str
    of: str
    stems: int
    findings: tuple[SetFinding, ...]
    bus: BusForecast | None
    offset_db: float | None = None
    links_proposed: tuple[LinkProposal, ...] = ()
    doubles: tuple[Double, ...] = ()
    pairs_compared: int = 0
    pairs_left_out: int = 0
    balance: BalanceResidual | None = None
    room: Room | None = None
    planned: PlannedBus | None = None
    rough: RoughMatch | None = None
    refused: tuple[RefusedStem, ...] = ()
    taken_out: tuple[TakenOutStem, ...] = ()
    starts_s: dict[str, float] = Field(default_factory=dict)

    @property
    def verdict(self) -> Verdict:
        """The verdict of the worst finding."""
        verdicts = (finding.verdict for finding in self.findings)
        return max(verdicts, key=lambda verdict: verdict.severity, default=Verdict.USABLE)

    def to_data(self, *, with_overview: bool = False) -> dict[str, Any]:
        """Return the JSON document; the overview of the bus only with `with_overview`."""
        without = {} if with_overview else {"bus": {"overview", "stretch_s"}}
        return {"schema": CHECK_SCHEMA, **self.model_dump(mode="json", exclude=without)}
