"""A rule and two checks of one's own; read by the worker as a file of a project, never imported by a test."""

# ruff: noqa: ARG002 - what the protocol hands over is taken, needed or not

from collections.abc import Mapping
from typing import Any

from stager.model import Finding, Levels, Verdict
from stager.plugins import AnySettings, Check, Rule, Wanted


class AimSettings(AnySettings):
    """Where the rule aims at."""

    level_dbfs: float = -25.0


class Aim(Rule):
    """Brings the average to a level of its own."""

    name = "aim"
    settings = AimSettings

    def __init__(self, settings: Any) -> None:
        self.level_dbfs = settings.level_dbfs

    def wanted(self, levels: Levels) -> Wanted:
        """Ask for what is missing."""
        return Wanted(self.level_dbfs - (levels.average_dbfs or 0.0), "its own aim.")


class Crowd(Check):
    """Says how many others there are, and how many of them are louder."""

    name = "crowd"
    codes = ("crowded", "alone")

    def findings(self, stem: str, levels: Levels, others: Mapping[str, Levels]) -> list[Finding]:
        """Count."""
        louder = [name for name, other in others.items() if (other.average_dbfs or 0.0) > (levels.average_dbfs or 0.0)]
        says = f"It stands beside {len(others)}, of which {len(louder)} are louder."
        return [Finding(code="crowded" if others else "alone", verdict=Verdict.LISTEN, says=says)]


class Loose(Check):
    """Uses a code that it does not declare."""

    name = "loose"

    def findings(self, stem: str, levels: Levels, others: Mapping[str, Levels]) -> list[Finding]:
        """Complain."""
        return [Finding(code="other", verdict=Verdict.LISTEN, says="Something.")]


class Broken(Check):
    """Fails, and only where there are others."""

    name = "broken"

    def findings(self, stem: str, levels: Levels, others: Mapping[str, Levels]) -> list[Finding]:
        """Trip."""
        return [] if not others else [{}["nothing"]]  # type: ignore[list-item]
