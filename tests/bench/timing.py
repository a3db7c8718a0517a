"""What a command costs, by the system's own account of its process, and commands in turn: A B A B ..."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.support.command import environment

STAGER: Final = Path(sys.executable).parent / "stager"
"""The installed command, beside the interpreter that runs the bench."""

LAUNCHER: Final = """
import json, os, sys, time
lines, out, err = json.load(sys.stdin), *(os.open(to, os.O_WRONLY | os.O_CREAT | os.O_TRUNC) for to in sys.argv[1:])
actions, cpu, peak, code = [(os.POSIX_SPAWN_DUP2, out, 1), (os.POSIX_SPAWN_DUP2, err, 2)], 0.0, 0, 0
begun = time.perf_counter()
for line in lines:
    _, status, usage = os.wait4(os.posix_spawnp(line[0], line, os.environ, file_actions=actions), 0)
    cpu, peak = cpu + usage.ru_utime + usage.ru_stime, max(peak, usage.ru_maxrss)
    if code := os.waitstatus_to_exitcode(status):
        break
print(json.dumps([time.perf_counter() - begun, cpu, peak * 1024 / 1e6, code]))
"""
"""Runs commands one after the other. Linux counts into a process what its parent held, and this one holds little."""

Line = Sequence[str | Path]


class Failed(Exception):
    """A run that did not do its work, and so has no time."""


@dataclass(frozen=True)
class Cost:
    """What one run took: seconds on the wall, seconds of all processors (user and system), most memory in MB (10^6)."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def run(*lines: Line, log: Path, env: Mapping[str, str] | None = None) -> Cost:
    """Run commands one after the other, and give what they cost together; what they print is in `log` .out and .err.

    Everything that is still to be written is on the disk before the clock starts.

    Raises:
        Failed: where one ends with another status than 0.
    """
    outputs = [log.with_suffix(end) for end in (".out", ".err")]
    launch = [sys.executable, "-I", "-S", "-c", LAUNCHER, *map(str, outputs)]
    given = json.dumps([[str(part) for part in line] for line in lines])
    os.sync()
    done = subprocess.run(launch, input=given, env=environment(env), capture_output=True, text=True, check=True)
    wall_s, cpu_s, peak_mb, code = json.loads(done.stdout)
    if code:
        raise Failed(f"{Path(lines[0][0]).name} ended with {code}: {outputs[1].read_text('utf-8', 'replace')[-300:]}")
    return Cost(wall_s, cpu_s, peak_mb)


def in_turn(rounds: int, *works: Callable[[], Cost]) -> list[list[Cost]]:
    """Do each work once, then each once more, and so on; gives the costs of each work."""
    turns = [[work() for work in works] for _ in range(rounds)]
    return [list(costs) for costs in zip(*turns, strict=True)]


def warm(paths: Iterable[Path]) -> None:
    """Read files once, so that all sides find them in memory."""
    for path in paths:
        with path.open("rb") as file:
            while file.read(1 << 20):
                pass
