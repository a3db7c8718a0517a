"""The listeners of a watch: called from many threads, one call at a time."""

from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock
from typing import Literal

from stager.model.takes import TakeOutcome
from stager.project import Project
from stager.staging.queue import OutcomeEvent

Level = Literal["info", "warning"]


@dataclass(frozen=True)
class LogLine:
    """One line of the log that is no outcome: `project` is a name, None where it is about the daemon itself."""

    says: str
    project: str | None = None
    level: Level = "info"
    traceback: str | None = None


@dataclass(frozen=True)
class Listeners:
    """Three functions: for the outcomes of stems and of takes, with their project, and for every other line."""

    outcome_listener: Callable[[Project, OutcomeEvent], None]
    line_listener: Callable[[LogLine], None]
    take_listener: Callable[[Project, TakeOutcome], None] = lambda _project, _take: None
    _lock: Lock = field(default_factory=Lock, repr=False)

    def on_outcome(self, project: Project, event: OutcomeEvent) -> None:
        """Pass on the outcome of a stem."""
        with self._lock:
            self.outcome_listener(project, event)

    def on_take(self, project: Project, take: TakeOutcome) -> None:
        """Pass on the outcome of a take."""
        with self._lock:
            self.take_listener(project, take)

    def log(
        self, says: str, project: Project | None = None, level: Level = "info", traceback: str | None = None
    ) -> None:
        """Log a line, with the traceback of an unexpected error."""
        with self._lock:
            self.line_listener(LogLine(says, project.name if project else None, level, traceback))
