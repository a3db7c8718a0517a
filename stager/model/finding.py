"""A finding about a stem, and the verdict that it leads to."""

from collections.abc import Iterable
from enum import StrEnum

from pydantic import Field

from stager.model.base import Record


class Verdict(StrEnum):
    """How far a stem may be used, in order from best to worst; `bounce_again` is said of finished mixes alone."""

    USABLE = "usable"
    LISTEN = "listen"
    PLAY_AGAIN = "play_again"
    BOUNCE_AGAIN = "bounce_again"

    @property
    def severity(self) -> int:
        """0 for usable up to 3 for bounce again."""
        return list(Verdict).index(self)


class Finding(Record):
    """Something the person should know about a stem, with its places in time where it has any.

    `channels` counts from 1; `count` and `total_s` say how often and how long in all; `at_s` lists the first places,
    `worst_at_s` the one to listen to; `measured` holds the figures behind it; `says` is one sentence for a musician.
    """

    code: str
    verdict: Verdict
    channels: tuple[int, ...] = ()
    count: int = 1
    total_s: float | None = None
    at_s: tuple[float, ...] = ()
    worst_at_s: float | None = None
    measured: dict[str, float | str] = Field(default_factory=dict)
    says: str


def worst(findings: Iterable[Finding]) -> Verdict:
    """Return the verdict of a stem: that of its worst finding, usable where there is none."""
    return max(
        (finding.verdict for finding in findings),
        key=lambda verdict: verdict.severity,
        default=Verdict.USABLE,
    )
