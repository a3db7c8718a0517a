"""Measuring alone, one worker, all meters on, beside three figures by libebur128 through its shared library.

Both read the same files from memory, in a process of their own. Each is also given one file of a second: what that
takes is starting the program, and the rows "without start" leave it out on both sides.
"""

import json
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from tests.bench import ebur128
from tests.bench.kinds import KINDS
from tests.bench.rows import TIMES, Row, compared
from tests.bench.stems import Room, Skipped, album, second
from tests.bench.timing import STAGER, Cost, Failed, Line, in_turn, run, warm

AGAINST: Final = "libebur128: I, LRA, TP"
APART_LU: Final = 0.1
"""Further apart in loudness, one of the two did something else. Time is compared here, accuracy is for the tests."""


def bench(room: Room) -> Iterator[Row | str]:
    """Compare all stems with start and without, then each kind of sound alone.

    Raises:
        Skipped: where libebur128 isn't installed.
    """
    try:
        ebur128.shared()
    except OSError:
        raise Skipped(
            "libebur128.so.1 is missing here (Debian: libebur128-1), so nothing is compared with it"
        ) from None
    paths, short = album(room).paths, [second(room)]
    warm([*paths, *short])
    options = ("--jobs", "1") if _has_jobs() else ()
    yield f"stager measure has {'--jobs: 1' if options else 'no --jobs: one file after the other'}."
    sides: list[Line] = [(STAGER, "measure", "--json", *options), (sys.executable, "-I", str(ebur128.__file__))]

    def costs(files: Sequence[Path]) -> list[list[Cost]]:
        return in_turn(
            room.rounds, *(lambda side=side: run([*side, *files], log=room.folder / "measure") for side in sides)
        )

    _agree(room, sides, paths)
    all_ours, all_theirs, start_ours, start_theirs = in_turn(
        room.rounds,
        *(
            lambda side=side, files=files: run([*side, *files], log=room.folder / "measure")
            for files in (paths, short)
            for side in sides
        ),
    )
    work = f"measure {len(paths)} {TIMES} 4 min, 1 worker"
    yield compared(work, AGAINST, all_ours, all_theirs, bound=0.5)
    ours, theirs = _without(all_ours, start_ours), _without(all_theirs, start_theirs)
    yield compared(f"{work}, without start", AGAINST, ours, theirs, bound=0.5)
    for name in KINDS:
        alike = [path for path in paths if name in path.name]
        ours, theirs = costs(alike)
        yield compared(
            f"  {len(alike)} {TIMES} {name}, without start",
            AGAINST,
            _without(ours, start_ours),
            _without(theirs, start_theirs),
        )


def _without(whole: Sequence[Cost], start: Sequence[Cost]) -> list[Cost]:
    """Take away what starting takes, round by round."""
    return [
        Cost(all_.wall_s - one.wall_s, all_.cpu_s - one.cpu_s, all_.peak_mb)
        for all_, one in zip(whole, start, strict=True)
    ]


def _has_jobs() -> bool:
    """Whether `stager measure` can be told how many to measure at once."""
    told = subprocess.run([STAGER, "measure", "--help"], capture_output=True, text=True, check=True)
    return "--jobs" in told.stdout


def _agree(room: Room, sides: Sequence[Line], paths: Sequence[Path]) -> None:
    """Run both once, and look whether they measured the same thing.

    Raises:
        Failed: where their loudness differs.
    """
    log = room.folder / "agree"
    run([*sides[0], *paths], log=log)
    ours = [stem["levels"]["loudness_lufs"] for stem in json.loads(log.with_suffix(".out").read_bytes())["stems"]]
    run([*sides[1], *paths], log=log)
    theirs = [json.loads(line)[0] for line in log.with_suffix(".out").read_text("utf-8").splitlines()]
    if any(abs(our - their) > APART_LU for our, their in zip(ours, theirs, strict=True)):
        raise Failed(f"loudness differs: {ours} by stager, {theirs} by libebur128")
