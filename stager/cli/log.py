"""The log of a watch on stderr: lines for people, or one JSON object a line for a log collector."""

import json
import sys
import textwrap
from contextlib import suppress
from datetime import UTC, datetime
from shutil import get_terminal_size
from typing import Any, Final, Protocol

from stager.cli.screen import say
from stager.cli.stage_command import OutcomePrinter
from stager.model import Refused, Staged, Verdict
from stager.model.takes import RefusedTake, TakeOutcome
from stager.project import Project
from stager.report import outcome_line, take_lines
from stager.staging.queue import OutcomeEvent
from stager.watch.listeners import LogLine

LEAST_WIDTH: Final = 30
"""Characters; a narrower terminal breaks the lines by itself."""


class Log(Protocol):
    """Receives the outcomes and messages of a watch."""

    def news(self, project: Project, event: OutcomeEvent) -> None:
        """Write the outcome of a stem."""

    def take(self, project: Project, take: TakeOutcome) -> None:
        """Write the judgement of a take."""

    def word(self, line: LogLine) -> None:
        """Write a message."""


class HumanLog:
    """Lines for people; where `many` projects are watched, a stem's line begins with its project."""

    def __init__(self, *, many: bool) -> None:
        self._many = many
        self._printers: dict[str, OutcomePrinter] = {}

    def news(self, project: Project, event: OutcomeEvent) -> None:
        """Write the outcome of a stem."""
        front = f"{project.name}: " if self._many else ""
        self._printers.setdefault(str(project.file), OutcomePrinter(front=front)).tell(event)
        if isinstance(event.outcome, Staged) and event.outcome.fresh:
            sidecar = event.outcome.sidecar
            for finding in sidecar.findings:
                if finding.verdict is sidecar.verdict is not Verdict.USABLE:
                    _say_wrapped(f"  {finding.says}")

    def take(self, project: Project, take: TakeOutcome) -> None:
        """Write the judgement of a take."""
        first, *rest = take_lines(take)
        say(f"{project.name}: {first}" if self._many else first)
        for line in rest:
            _say_wrapped(line)

    def word(self, line: LogLine) -> None:
        """Write a message."""
        front = f"{line.project}: " if self._many and line.project and line.project not in line.says else ""
        say(front + line.says)


class JsonLog:
    """One JSON object a line: `at`, `level`, `project`, `says`; of a stem also `stem`, `outcome` and its figures."""

    def news(self, project: Project, event: OutcomeEvent) -> None:
        """Write the outcome of a stem."""
        self._write("warning" if isinstance(event.outcome, Refused) else "info", project.name, _of(event))

    def take(self, project: Project, take: TakeOutcome) -> None:
        """Write the judgement of a take."""
        content: dict[str, Any] = {"says": " ".join(line.strip() for line in take_lines(take)), "take": take.take}
        if isinstance(take, RefusedTake):
            self._write("warning", project.name, content | {"refused": take.refused})
            return
        change = take.advice.input_change_db if take.advice else None
        self._write("info", project.name, content | {"verdict": take.verdict.value, "input_change_db": change})

    def word(self, line: LogLine) -> None:
        """Write a message."""
        content = {"says": line.says} | ({"traceback": line.traceback} if line.traceback else {})
        self._write(line.level, line.project, content)

    def _write(self, level: str, project: str | None, content: dict[str, Any]) -> None:
        at = datetime.now(UTC).isoformat(timespec="milliseconds")
        line = json.dumps({"at": at, "level": level, "project": project, **content})
        with suppress(OSError):
            print(line, file=sys.stderr, flush=True)


def _say_wrapped(line: str) -> None:
    """Print a line; on a terminal it is broken between words at the terminal's width, and stays indented."""
    if not sys.stderr.isatty():
        say(line)
        return
    width = max(LEAST_WIDTH, get_terminal_size().columns)
    for part in textwrap.wrap(line, width, subsequent_indent="  ", break_long_words=False):
        say(part)


def _of(event: OutcomeEvent) -> dict[str, Any]:
    outcome, notes = event.outcome, [hint.says for hint in event.hints]
    base = {"says": outcome_line(outcome), "stem": outcome.stem, "notes": notes}
    if isinstance(outcome, Refused):
        traceback = {"traceback": outcome.traceback} if outcome.traceback else {}
        return base | {"outcome": "refused", "refused": outcome.refused} | traceback
    sidecar = outcome.sidecar
    return base | {
        "outcome": "staged" if outcome.fresh else "up_to_date",
        "called_before": outcome.called_before,
        "version": sidecar.version,
        "trim_db": sidecar.trim.gain_db,
        "verdict": sidecar.verdict.value,
        "copy": sidecar.copy_.path if sidecar.copy_ else None,
    }
