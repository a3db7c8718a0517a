"""What it costs to compare every draft with its original before it is published, as a part of staging."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from tests.bench.rows import TIMES, Row, compared
from tests.bench.stems import Room, album
from tests.bench.timing import in_turn, warm

RUNNER: Final = Path(__file__).with_name("with_or_without.py")
BOUND: Final = 1.05


def bench(room: Room) -> Iterator[Row | str]:
    """Stage with the comparison and without it, one worker and two."""
    stems = album(room)
    yield f"{len(stems.paths)} stems (60 with --full) of 4 min, stereo, 48 kHz, 24 bits; both sides start alike."
    warm(stems.paths)
    for workers in ("1", "2"):
        ours, theirs = in_turn(
            room.rounds,
            lambda workers=workers: stems.staged("--jobs", workers, command=(sys.executable, RUNNER, "with")),
            lambda workers=workers: stems.staged("--jobs", workers, command=(sys.executable, RUNNER, "without")),
        )
        work = f"stage {len(stems.paths)} {TIMES} 4 min, {workers} worker{'s' * (workers > '1')}"
        yield compared(work, "without comparing copies", ours, theirs, bound=BOUND)
