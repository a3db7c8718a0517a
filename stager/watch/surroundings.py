"""What lies around a watch: a clock that may have stopped with the machine, a folder that may lie on a network."""

import os
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

SLEPT_S: Final = 2.0
"""Wall clock and running clock apart by more than this since the last look: the machine slept, or the clock was set."""
MOUNTS: Final = Path("/proc/self/mountinfo")
SILENT_KINDS: Final = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "fuse", "vboxsf", "davfs")
"""File systems that change without this machine being told; `fuse` stands for all of its kind. Source: inotify(7),
"Limitations and caveats": events of remote file systems are not reported."""


class Wakes:
    """Notices that the machine slept or its clock was set: the running clock stood still, or the wall clock leapt."""

    def __init__(self, wall: Callable[[], float] = time.time, running: Callable[[], float] = time.monotonic) -> None:
        self._wall, self._running = wall, running
        self._apart_s = wall() - running()

    def happened(self) -> bool:
        """Say whether it was so since the last call."""
        apart_s = self._wall() - self._running()
        leapt = abs(apart_s - self._apart_s) > SLEPT_S
        self._apart_s = apart_s
        return leapt


def is_silent_place(folder: Path, mounts: Path = MOUNTS) -> bool:
    """Say whether the system does not tell of changes in a folder; False where that can't be known."""
    with suppress(OSError, ValueError):
        kind = _kind_of(os.fsencode(folder), mounts.read_bytes())
        return kind in SILENT_KINDS or kind.startswith("fuse.")
    return False


def _kind_of(folder: bytes, table: bytes) -> str:
    """The kind of the file system that a folder lies on, as proc(5) lists mounts: the longest mount point wins."""
    best, kind = b"", ""
    for line in table.splitlines():
        before, _, behind = line.partition(b" - ")
        point = before.split(b" ")[4].decode("unicode_escape").encode("latin-1")
        if len(point) >= len(best) and (folder + b"/").startswith(point.rstrip(b"/") + b"/"):
            best, kind = point, behind.split(b" ")[0].decode()
    return kind
