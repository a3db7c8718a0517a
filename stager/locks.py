"""The lock of a project: held by one process, gone with it however it ends, and open to be asked about."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from stager.errors import AlreadyWatched
from stager.files import CLOEXEC, make_folder, placing, read_whole
from stager.names import shown
from stager.processes import is_running

if sys.platform == "win32":  # unproven: everything here is run on Linux only
    import msvcrt
else:
    import fcntl


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold a lock that ends with this process, however it ends; the file names the process that holds it.

    Raises:
        AlreadyWatched: where another process holds it; says which.
    """
    make_folder(path.parent)
    with placing(path):
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | CLOEXEC, 0o666)
    try:
        _hold(descriptor, path)
        with placing(path):
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, str(os.getpid()).encode(), 0)
        yield
    finally:
        with suppress(OSError):  # a disk that is gone can't be told that its file is closed
            os.close(descriptor)


def lock_holder(path: Path) -> int | None:
    """Give the process that holds a lock, without trying for it; None where nobody does.

    Linux tells by /proc/locks; elsewhere the number in the file counts while a process of that number runs.
    """
    named = (read_whole(path) or b"").decode("ascii", "replace")
    pid = int(named) if named.isdecimal() else None
    if pid is None or not is_running(pid):
        return None
    table = read_whole(Path("/proc/locks"))
    if table is None:
        return pid
    with suppress(OSError):
        inode = str(path.stat().st_ino).encode()
        return pid if any(line.split()[5].split(b":")[-1] == inode for line in table.splitlines()) else None
    return None


def _hold(descriptor: int, path: Path) -> None:
    try:
        if sys.platform == "win32":
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        holder = (read_whole(path) or b"").decode("ascii", "replace") or "unknown"
        raise AlreadyWatched(f"{shown(path.parent.parent)}: already watched or staged by process {holder}") from error
