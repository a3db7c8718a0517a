"""One line about long work, at the foot of a terminal: stems and sound done, time left. Nothing where nobody looks."""

import os
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final, Self, TextIO

from stager.bench import News
from stager.model import Staged
from stager.names import shown
from stager.project import Project

SURE_AFTER_S: Final = 3.0
"""How long work must have gone on before a time left is told (own figure: the first stem alone tells little)."""
WIDTH: Final = 80


class Progress:
    """The work on the stems of one project; told of each outcome, it keeps its line under what else is said.

    Stems count by the bytes of their originals, since those are known at once. Stems that were up to date take no time,
    and tell nothing of how long the others will.
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
        self._is_seen = self._stream.isatty()

    def __enter__(self) -> Self:
        """Begin; nothing is drawn before the first outcome."""
        return self

    def __exit__(self, *_failure: object) -> None:
        """End: the line is gone, however the work ended."""
        self.clear()

    def around(self, tell: Callable[[News], None]) -> Callable[[News], None]:
        """Give the same teller, with the line out of its way while it speaks."""

        def told(news: News) -> None:
            self.clear()
            tell(news)
            self.note(news)

        return told

    def note(self, news: News) -> None:
        """Count a stem, and draw the line again."""
        outcome = news.outcome
        size = self._sizes.pop(outcome.stem, 0)
        self._done, self._left_bytes = self._done + 1, self._left_bytes - size
        if isinstance(outcome, Staged):
            self._sound_s += outcome.sidecar.source.duration_s
            self._worked_bytes += size if outcome.fresh else 0
        self._draw()

    def clear(self) -> None:
        """Take the line away."""
        self._write("\r" + " " * self._drawn + "\r" if self._drawn else "")
        self._drawn = 0

    def text(self) -> str:
        """Give the line: what is done, and how long the rest may take."""
        count = max(self._count, self._done)
        left_s = self._left_s()
        left = f"; about {span(left_s)} left" if left_s else ""
        return f"{self._done} of {count} stems, {span(self._sound_s)} of sound{left}"

    def _left_s(self) -> float | None:
        worked_s = self._clock() - self._began_s
        if worked_s < SURE_AFTER_S or not self._worked_bytes:
            return None
        return worked_s / self._worked_bytes * self._left_bytes

    def _draw(self) -> None:
        if self._is_seen and self._sizes:
            line = self.text()[: _columns(self._stream) - 1]
            self._write(f"\r{line}")
            self._drawn = len(line)

    def _write(self, text: str) -> None:
        if text:
            self._stream.write(text)
            self._stream.flush()


def span(seconds: float) -> str:
    """Give a stretch of time as a person says it: seconds, minutes from one on, hours and minutes from one hour on."""
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
