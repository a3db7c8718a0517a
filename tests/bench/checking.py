"""What it costs to examine a set, beside staging the same stems: all copies in place, anew and with nothing changed."""

from collections.abc import Iterator

from tests.bench.rows import TIMES, Row, compared
from tests.bench.stems import Room, Stems, album
from tests.bench.timing import STAGER, Cost, in_turn, run, warm


def bench(room: Room) -> Iterator[Row | str]:
    """Stage, check, report, and check again, in turn."""
    stems = album(room)
    yield f"{len(stems.paths)} stems (60 with --full) of 4 min, stereo, 48 kHz, 24 bits; every copy is in place."
    warm(stems.paths)
    staged, first, again = in_turn(room.rounds, stems.staged, lambda: _checked(stems), lambda: _checked_again(stems))
    work = f"check {len(stems.paths)} {TIMES} 4 min"
    yield compared(work, "stage", first, staged)
    yield compared(f"{work}, nothing changed since a report", "stage", again, staged)


def _checked(stems: Stems) -> Cost:
    return run([STAGER, "check", stems.folder, "--json"], log=stems.folder / "check")


def _checked_again(stems: Stems) -> Cost:
    run([STAGER, "report", stems.folder], log=stems.folder / "report")
    return _checked(stems)
