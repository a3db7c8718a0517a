"""What a watch writes to stderr: calm lines for people, or one JSON object a line for a log collector."""

import json
import sys
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, Protocol

from stager.bench import News
from stager.cli.screen import say
from stager.cli.stage_command import Teller
from stager.model import Refused
from stager.model.take import RefusedTake, TakeOutcome
from stager.project import Project
from stager.report import outcome_line, take_lines
from stager.watch import Word


class Log(Protocol):
    """Takes what a watch has to say."""

    def news(self, project: Project, news: News) -> None:
        """Write what became of a stem."""

    def take(self, project: Project, take: TakeOutcome) -> None:
        """Write what was judged of a take."""

    def word(self, word: Word) -> None:
        """Write another line."""


class HumanLog:
    """Lines for people; where `many` projects are watched, a stem's line begins with its project."""

    def __init__(self, *, many: bool) -> None:
        self._many = many
        self._tellers: dict[str, Teller] = {}

    def news(self, project: Project, news: News) -> None:
        """Write what became of a stem."""
        front = f"{project.name}: " if self._many else ""
        self._tellers.setdefault(str(project.file), Teller(front=front)).tell(news)

    def take(self, project: Project, take: TakeOutcome) -> None:
        """Write what was judged of a take."""
        first, *rest = take_lines(take)
        say(f"{project.name}: {first}" if self._many else first)
        for line in rest:
            say(line)

    def word(self, word: Word) -> None:
        """Write another line."""
        front = f"{word.project}: " if self._many and word.project and word.project not in word.says else ""
        say(front + word.says)


class JsonLog:
    """One JSON object a line: `at`, `level`, `project`, `says`; of a stem also `stem`, `outcome` and its figures."""

    def news(self, project: Project, news: News) -> None:
        """Write what became of a stem."""
        self._write("warning" if isinstance(news.outcome, Refused) else "info", project.name, _of(news))

    def take(self, project: Project, take: TakeOutcome) -> None:
        """Write what was judged of a take."""
        content: dict[str, Any] = {"says": " ".join(line.strip() for line in take_lines(take)), "take": take.take}
        if isinstance(take, RefusedTake):
            self._write("warning", project.name, content | {"refused": take.refused})
            return
        change = take.advice.input_change_db if take.advice else None
        self._write("info", project.name, content | {"verdict": take.verdict.value, "input_change_db": change})

    def word(self, word: Word) -> None:
        """Write another line."""
        self._write(word.level, word.project, {"says": word.says})

    def _write(self, level: str, project: str | None, content: dict[str, Any]) -> None:
        at = datetime.now(UTC).isoformat(timespec="milliseconds")
        line = json.dumps({"at": at, "level": level, "project": project, **content})
        with suppress(OSError):
            print(line, file=sys.stderr, flush=True)


def _of(news: News) -> dict[str, Any]:
    outcome, notes = news.outcome, [hint.says for hint in news.hints]
    base = {"says": outcome_line(outcome), "stem": outcome.stem, "notes": notes}
    if isinstance(outcome, Refused):
        return base | {"outcome": "refused", "refused": outcome.refused}
    sidecar = outcome.sidecar
    return base | {
        "outcome": "staged" if outcome.fresh else "up_to_date",
        "called_before": outcome.called_before,
        "version": sidecar.version,
        "trim_db": sidecar.trim.gain_db,
        "verdict": sidecar.verdict.value,
        "copy": sidecar.copy_.path if sidecar.copy_ else None,
    }
