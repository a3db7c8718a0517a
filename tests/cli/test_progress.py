"""The line about long work: what it says, by arithmetic done here, and that it stays out of the way."""

import io
from pathlib import Path
from typing import Any

import pytest

from stager.cli.progress import Progress, span
from stager.model import Refused, Staged
from stager.staging.queue import OutcomeEvent
from tests.support.folders import written
from tests.support.records import project, sidecar


class Terminal(io.StringIO):
    """A stream that says whether somebody looks."""

    def __init__(self, *, seen: bool) -> None:
        super().__init__()
        self.seen = seen

    def isatty(self) -> bool:
        return self.seen


def rows(text: str) -> list[str]:
    """What stands on a terminal: a carriage return goes back, and what follows writes over what was there."""
    shown = []
    for line in text.split("\n"):
        row: list[str] = []
        for part in line.split("\r"):
            row[: len(part)] = part
        shown.append("".join(row).rstrip())
    return shown


def news(stem: str, duration_s: float = 60.0, **changes: Any) -> OutcomeEvent:
    base = sidecar(stem=stem)
    source = base.source.model_copy(update={"duration_s": duration_s})
    return OutcomeEvent(Staged(base.model_copy(update={"source": source}), **changes))


@pytest.fixture
def now_s() -> list[float]:
    """Return a clock that a test turns."""
    return [100.0]


def made(folder: Path, now_s: list[float], *, seen: bool = True, **sizes: int) -> tuple[Progress, Terminal]:
    """Progress over stems of these sizes in bytes."""
    song, terminal = project(folder), Terminal(seen=seen)
    for name, size in sizes.items():
        written(song.inbox / f"{name}.wav", bytes(size))
    return Progress(song, [f"{name}.wav" for name in sizes], terminal, lambda: now_s[0]), terminal


def test_stems_sound_and_time_left(tmp_path: Path, now_s: list[float]) -> None:
    """A quarter of the bytes took 10 s, so the rest takes 30; three minutes of sound are done."""
    progress, _ = made(tmp_path, now_s, a=1000, b=2000, c=1000)
    now_s[0] += 10.0
    progress.note(news("a.wav", 180.0))
    assert progress.text() == "1 of 3 stems, 3 min of sound; about 30 s left"


def test_time_left_waits_for_something_to_go_by(tmp_path: Path, now_s: list[float]) -> None:
    """In the first seconds, and while only stems were met that were up to date or refused, no time is told."""
    progress, _ = made(tmp_path, now_s, a=1000, b=1000, c=1000)
    now_s[0] += 1.0
    progress.note(news("a.wav"))
    assert progress.text() == "1 of 3 stems, 1 min of sound"
    progress, _ = made(tmp_path, now_s, a=1000, b=1000, c=1000)
    now_s[0] += 100.0
    progress.note(news("a.wav", fresh=False))
    progress.note(OutcomeEvent(Refused("b.wav", "bounces/b.wav", "unreadable", "b.wav: no audio")))
    assert progress.text() == "2 of 3 stems, 1 min of sound"


def test_stems_that_were_up_to_date_are_no_measure(tmp_path: Path, now_s: list[float]) -> None:
    """Half of the bytes cost nothing; 10 s went into 1000 of the other 2000, so 10 s are left."""
    progress, _ = made(tmp_path, now_s, a=2000, b=1000, c=1000)
    progress.note(news("a.wav", fresh=False))
    now_s[0] += 10.0
    progress.note(news("b.wav"))
    assert progress.text().endswith("about 10 s left")


def test_line_stays_under_what_is_said(tmp_path: Path, now_s: list[float]) -> None:
    """On a terminal each outcome stands in a line of its own, the progress under it; at the end it is gone."""
    progress, terminal = made(tmp_path, now_s, a=10, b=10)

    def tell(told: OutcomeEvent) -> None:
        terminal.write(f"staged {told.outcome.stem}\n")

    told = progress.around(tell)
    told(news("a.wav"))
    assert rows(terminal.getvalue()) == ["staged a.wav", "1 of 2 stems, 1 min of sound"]
    told(news("b.wav"))
    progress.clear()
    assert rows(terminal.getvalue()) == ["staged a.wav", "staged b.wav", ""]


def test_nobody_looks(tmp_path: Path, now_s: list[float]) -> None:
    """Into a pipe or a file goes no line, and no carriage return."""
    progress, terminal = made(tmp_path, now_s, seen=False, a=10, b=10)
    progress.around(lambda _news: None)(news("a.wav"))
    progress.clear()
    assert terminal.getvalue() == ""


def test_stem_that_was_not_counted_on(tmp_path: Path, now_s: list[float]) -> None:
    """A stem that is staged along with another of its link counts as well; a stem that is gone has no size."""
    progress, _ = made(tmp_path, now_s, a=10)
    (tmp_path / "bounces" / "a.wav").unlink()
    for name in ("a.wav", "b.wav"):
        progress.note(news(name))
    assert progress.text() == "2 of 2 stems, 2 min of sound"


@pytest.mark.parametrize(
    ("seconds", "says"),
    [(0.4, "0 s"), (59.0, "59 s"), (60.0, "1 min"), (150.0, "2 min"), (3599.9, "1 h 00 min"), (5400.0, "1 h 30 min")],
)
def test_span(seconds: float, says: str) -> None:
    """Stretches of time in the unit that fits."""
    assert span(seconds) == says
