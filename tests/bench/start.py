"""How long the command takes to start: help, one file of a second, and a first run with no compiled code kept."""

import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import mkdtemp

from tests.bench.rows import Row, alone
from tests.bench.stems import Room, second
from tests.bench.timing import STAGER, Cost, Failed, Line, in_turn, run

ROUNDS_MORE = 4
"""These runs are short: so many times more of them."""


def bench(room: Room) -> Iterator[Row | str]:
    """Compare with an interpreter that does nothing; then run with an empty compile cache."""
    file, log = second(room), room.folder / "start"
    lines: list[Line] = [(STAGER, "--help"), (STAGER, "measure", file), (sys.executable, "-c", "pass")]
    for line in lines:
        run(line, log=log)
    helped, measured, nothing = in_turn(
        ROUNDS_MORE * room.rounds, *(lambda line=line: run(line, log=log) for line in lines)
    )
    yield alone("stager --help, wall", "s", [cost.wall_s for cost in helped], bound=0.3)
    yield alone("stager measure, 1 s, wall", "s", [cost.wall_s for cost in measured], bound=1.0)
    yield alone("stager measure, 1 s, peak memory", "MB", [cost.peak_mb for cost in measured])
    yield alone("python -c pass, for comparison, wall", "s", [cost.wall_s for cost in nothing])
    first = [_first(room, file) for _ in range(min(room.rounds, 3))]
    yield alone("stager measure, 1 s, first run ever", "s", [cost.wall_s for cost in first])


def _first(room: Room, file: Path) -> Cost:
    """Measure with a new folder for compiled code.

    Raises:
        Failed: where nothing was kept there, so that this was no first run.
    """
    cache = mkdtemp(dir=room.folder)
    cost = run([STAGER, "measure", file], log=room.folder / "first", env={"NUMBA_CACHE_DIR": cache})
    if not any(Path(cache).rglob("*.nbi")):
        raise Failed("a new NUMBA_CACHE_DIR stayed empty: compiled code is kept elsewhere")
    return cost
