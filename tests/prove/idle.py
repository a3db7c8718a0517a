"""What a watch costs while nothing happens: processor time, by the system's own account (Linux)."""

import os
import time
from pathlib import Path

from tests.outside.song import Song
from tests.prove.proof import Proof

BOUND = 0.01
CALM_S, AT_MOST_S = 3.0, 120.0
STIRS_S = 0.1
"""More than this within `CALM_S` is work that is still under way."""


def _processor_s(pid: int) -> float:
    """Give the processor time that a process has taken, in s."""
    fields = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _until_calm(pid: int) -> None:
    """Wait until the process has done next to nothing for a while, or for long enough."""
    begun_s = since_s = time.monotonic()
    before_s = _processor_s(pid)
    while time.monotonic() - since_s < CALM_S and time.monotonic() - begun_s < AT_MOST_S:
        time.sleep(0.5)
        if _processor_s(pid) - before_s > STIRS_S:
            before_s, since_s = _processor_s(pid), time.monotonic()


def proof(song: Song, stems: int, log: Path, watched_s: float) -> Proof:
    """Watch a project of so many stems, all of them staged, for a while after it has become calm."""
    with song.stager.started("watch", song.folder, log=log) as watch:
        _until_calm(watch.pid)
        before_s, begun_s = _processor_s(watch.pid), time.monotonic()
        time.sleep(watched_s)
        assert watch.poll() is None
        share = (_processor_s(watch.pid) - before_s) / (time.monotonic() - begun_s)
    figure = f"{100 * share:.2f} % of a core"
    return Proof(f"{stems} files watched, nothing happens", "the system", f"under {BOUND:.0%}", figure, share < BOUND)
