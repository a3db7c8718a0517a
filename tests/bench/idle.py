"""What a watch of sixty stems costs once all are staged and nothing happens: by the system's account (Linux)."""

import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from tests.bench.kinds import RATE_HZ, variants
from tests.bench.rows import Row, alone
from tests.bench.stems import Room, Skipped, Stems
from tests.bench.timing import STAGER, Failed
from tests.outside.command import environment

STEMS, WINDOWS = 60, 3
CALM_S: Final = 8.0
STIRS_S: Final = 0.1
AT_MOST_S: Final = 120.0


def bench(room: Room) -> Iterator[Row | str]:
    """Watch for a few windows of time after it has become calm.

    Raises:
        Failed: where the watch ended, or was never calm.
        Skipped: where the system has no /proc.
    """
    if not Path("/proc/self/stat").exists():
        raise Skipped("there is no /proc here")
    window_s = 120.0 if room.full else 20.0
    song = Stems.made(room.folder / "calm", ((name, sound[:RATE_HZ]) for name, sound in variants(4, STEMS)))
    song.staged()
    with (song.folder / "watch.log").open("wb") as log:
        watch = subprocess.Popen(
            [STAGER, "watch", song.folder], stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment()
        )
        try:
            _until_calm(watch.pid)
            found = [_window(watch.pid, window_s) for _ in range(WINDOWS)]
            if watch.poll() is not None:
                raise Failed(f"stager watch ended with {watch.returncode}")
        finally:
            watch.terminate()
            watch.wait(60.0)
    work = f"stager watch, {STEMS} stems, nothing happens"
    yield f"Idle: {WINDOWS} windows of {window_s:g} s (120 with --full, so that each holds a look at everything)."
    yield alone(f"{work}: cpu a minute", "s", [cpu for cpu, _ in found])
    yield alone(f"{work}: resident memory", "MB", [memory for _, memory in found])


def _window(pid: int, window_s: float) -> tuple[float, float]:
    """Give processor seconds a minute over a while, and resident memory in MB (10^6 bytes) at its end."""
    before_s, begun_s = _processor_s(pid), time.monotonic()
    time.sleep(window_s)
    spent_s = _processor_s(pid) - before_s
    pages = int(Path(f"/proc/{pid}/statm").read_text("ascii").split()[1])
    return 60 * spent_s / (time.monotonic() - begun_s), pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def _processor_s(pid: int) -> float:
    """Give the processor time that a process has taken, in s."""
    fields = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _until_calm(pid: int) -> None:
    """Wait until the process has done next to nothing for a while."""
    begun_s = since_s = time.monotonic()
    before_s = _processor_s(pid)
    while time.monotonic() - since_s < CALM_S:
        if time.monotonic() - begun_s > AT_MOST_S:
            raise Failed(f"stager watch was not calm within {AT_MOST_S:g} s")
        time.sleep(0.5)
        if _processor_s(pid) - before_s > STIRS_S:
            before_s, since_s = _processor_s(pid), time.monotonic()
