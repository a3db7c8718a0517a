"""The environment of a watch: whether the machine slept, where a folder lies, how many files may be open."""

import errno
import os
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

if sys.platform != "win32":
    import resource

JUMP_S: Final = 2.0
"""A change of more than this between wall clock and running clock: the machine slept, or its clock was set."""
MOST_DESCRIPTORS: Final = 65_536
"""The most file descriptors that are asked for: a project takes four, and each of its stems in work some more."""
MOUNTS: Final = Path("/proc/self/mountinfo")
EVENTLESS_FILE_SYSTEMS: Final = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "fuse", "vboxsf", "davfs")
"""File systems that report no changes made elsewhere; `fuse` stands for all of its kind. Source: inotify(7),
"Limitations and caveats": events of remote file systems are not reported."""


class ClockJumps:
    """Detects that the machine slept or its clock was set, from the difference between wall clock and running clock."""

    def __init__(self, wall: Callable[[], float] = time.time, running: Callable[[], float] = time.monotonic) -> None:
        self._wall, self._running = wall, running
        self._apart_s = wall() - running()

    def happened(self) -> bool:
        """Return whether it happened since the last call."""
        apart_s = self._wall() - self._running()
        leapt = abs(apart_s - self._apart_s) > JUMP_S
        self._apart_s = apart_s
        return leapt


def lacks_events(folder: Path, mounts: Path = MOUNTS) -> bool:
    """Return whether the system reports no changes in a folder; False where that can't be known."""
    with suppress(OSError, ValueError):
        kind = _kind_of(os.fsencode(folder), mounts.read_bytes())
        return kind in EVENTLESS_FILE_SYSTEMS or kind.startswith("fuse.")
    return False


def _kind_of(folder: bytes, table: bytes) -> str:
    """Return the type of a folder's file system, from a table as in proc(5): the longest mount point wins."""
    best, kind = b"", ""
    for line in table.splitlines():
        before, _, behind = line.partition(b" - ")
        point = before.split(b" ")[4].decode("unicode_escape").encode("latin-1")
        if len(point) >= len(best) and (folder + b"/").startswith(point.rstrip(b"/") + b"/"):
            best, kind = point, behind.split(b" ")[0].decode()
    return kind


def raise_descriptor_limit() -> None:
    """Raise the number of files that this process may open, as far as the system allows without asking."""
    if sys.platform != "win32":
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        wanted = MOST_DESCRIPTORS if hard == resource.RLIM_INFINITY else min(hard, MOST_DESCRIPTORS)
        if soft != resource.RLIM_INFINITY and soft < wanted:
            with suppress(OSError, ValueError):
                resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def descriptors_are_used_up() -> bool:
    """Return whether this process can open no other file."""
    try:
        os.close(os.open(os.devnull, os.O_RDONLY))
    except OSError as error:
        return error.errno in (errno.EMFILE, errno.ENFILE)
    return False


def descriptor_limit() -> str:
    """Return the sentence about files that may be open, to be said where no other one can be opened."""
    limit = f" ({resource.getrlimit(resource.RLIMIT_NOFILE)[0]})" if sys.platform != "win32" else ""
    return f"as many files are open as the system allows the process{limit}: raise it (ulimit -n)"
