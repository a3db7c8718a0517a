"""A progress line at the foot of a terminal: stems and audio done, time left. Nothing where stderr is no terminal."""

import os
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final, Self, TextIO

from stager.model import Staged
from stager.project import Project
from stager.staging.queue import OutcomeEvent
from stager.system.printable import shown

ESTIMATE_AFTER_S: Final = 3.0
"""Elapsed time before a remaining time is shown (own figure: one stem is too little to go by)."""
WIDTH: Final = 80


class Progress:
    """The progress of one project's stems, shown in the last line of stderr, below all other output.

    Stems count by the bytes of their originals, since those are known at once. Stems that were up to date take no time
    and are left out of the estimate.
    """

    def __init__(
        self,
        project: Project,
        names: Iterable[str],
        stream: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._sizes = {shown(name): _size(project.inbox / name) for name in names}
        self._count, self._left_bytes = len(self._sizes), sum(self._sizes.values())
        self._stream, self._clock, self._began_s = stream or sys.stderr, clock, clock()
        self._done, self._sound_s, self._worked_bytes, self._drawn = 0, 0.0, 0, 0
        self._is_shown = self._stream.isatty()

    def __enter__(self) -> Self:
        """Start; nothing is drawn before the first outcome."""
        return self

    def __exit__(self, *_failure: object) -> None:
        """End and remove the line, however the work ended."""
        self.clear()

    def around(self, tell: Callable[[OutcomeEvent], None]) -> Callable[[OutcomeEvent], None]:
        """Return a function that removes the line, calls `tell`, and draws the line again."""

        def surrounded(event: OutcomeEvent) -> None:
            self.clear()
            tell(event)
            self.note(event)

        return surrounded

    def note(self, event: OutcomeEvent) -> None:
        """Count a stem and draw the line again."""
        outcome = event.outcome
        size = self._sizes.pop(outcome.stem, 0)
        self._done, self._left_bytes = self._done + 1, self._left_bytes - size
        if isinstance(outcome, Staged):
            self._sound_s += outcome.sidecar.source.duration_s
            self._worked_bytes += size if outcome.fresh else 0
        self._draw()

    def clear(self) -> None:
        """Remove the line."""
        self._write("\r" + " " * self._drawn + "\r" if self._drawn else "")
        self._drawn = 0

    def text(self) -> str:
        """Return the line: stems and audio done, and the estimated time left."""
        count = max(self._count, self._done)
        left_s = self._left_s()
        left = f"; about {span(left_s)} left" if left_s else ""
        return f"{self._done} of {count} stems, {span(self._sound_s)} of sound{left}"

    def _left_s(self) -> float | None:
        worked_s = self._clock() - self._began_s
        if worked_s < ESTIMATE_AFTER_S or not self._worked_bytes:
            return None
        return worked_s / self._worked_bytes * self._left_bytes

    def _draw(self) -> None:
        if self._is_shown and self._sizes:
            line = self.text()[: _columns(self._stream) - 1]
            self._write(f"\r{line}")
            self._drawn = len(line)

    def _write(self, text: str) -> None:
        if text:
            self._stream.write(text)
            self._stream.flush()


def span(seconds: float) -> str:
    """Return a duration for people: in seconds, then in minutes from one on, then in hours and minutes."""
    if seconds < 60.0:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _columns(stream: TextIO) -> int:
    try:
        return os.get_terminal_size(stream.fileno()).columns or WIDTH
    except (OSError, ValueError):
        return WIDTH
