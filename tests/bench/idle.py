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
from tests.support.calm import comes_to_rest, processor_s
from tests.support.command import environment

STEMS, WINDOWS = 60, 3
CALM_S: Final = 8.0


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
            if not comes_to_rest(watch.pid, CALM_S):
                raise Failed("stager watch never came to rest")
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
    """Return processor seconds a minute over a while, and resident memory in MB (10^6 bytes) at its end."""
    before_s, begun_s = processor_s(pid), time.monotonic()
    time.sleep(window_s)
    spent_s = processor_s(pid) - before_s
    pages = int(Path(f"/proc/{pid}/statm").read_text("ascii").split()[1])
    return 60 * spent_s / (time.monotonic() - begun_s), pages * os.sysconf("SC_PAGE_SIZE") / 1e6
