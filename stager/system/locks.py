"""The lock of a project: held by one process, gone with it however it ends, and open to be asked about."""

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from stager.errors import AlreadyWatched, PlaceError
from stager.system.files import CLOEXEC, make_folder, placing, read_whole
from stager.system.printable import shown
from stager.system.processes import is_running

if sys.platform == "win32":  # unproven: everything here is run on Linux only
    import msvcrt
else:
    import fcntl


TURN_S: Final = 30.0
"""How long a process waits for a lock that others hold for moments; whoever holds it longer hangs."""
TRY_AGAIN_S: Final = 0.01


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold a lock that ends with this process, however it ends; the file names the process that holds it.

    Raises:
        AlreadyWatched: where another process holds it; says which.
    """
    with _opened(path) as descriptor:
        _hold(descriptor, path)
        with placing(path):
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, str(os.getpid()).encode(), 0)
        yield


@contextmanager
def in_turn(path: Path) -> Iterator[None]:
    """Hold a lock that every process holds for moments only; wait for whoever has it.

    Raises:
        PlaceError: where another process holds it for longer than `TURN_S`.
    """
    with _opened(path) as descriptor:
        until_s = time.monotonic() + TURN_S
        while not _has_taken(descriptor):
            if time.monotonic() > until_s:
                raise PlaceError(f"{shown(path)}: expected a free lock, found it held for {TURN_S:g} s; try again")
            time.sleep(TRY_AGAIN_S)
        yield


@contextmanager
def _opened(path: Path) -> Iterator[int]:
    """Yield the descriptor of a lock's file, which is made where it is missing; closing it lets the lock go."""
    make_folder(path.parent)
    with placing(path):
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | CLOEXEC | getattr(os, "O_NOFOLLOW", 0), 0o666)
    try:
        yield descriptor
    finally:
        with suppress(OSError):  # a disk that is gone can't be told that its file is closed
            os.close(descriptor)


def lock_holder(path: Path) -> int | None:
    """Return the process that holds a lock, without trying for it; None where nobody does.

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


def _has_taken(descriptor: int) -> bool:
    """Take a lock and return True, or return False where another process has it."""
    try:
        _take(descriptor)
    except OSError:
        return False
    return True


def _take(descriptor: int) -> None:
    if sys.platform == "win32":
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
    else:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _hold(descriptor: int, path: Path) -> None:
    try:
        _take(descriptor)
    except OSError as error:
        holder = (read_whole(path) or b"").decode("ascii", "replace") or "unknown"
        raise AlreadyWatched(f"{shown(path.parent.parent)}: already watched or staged by process {holder}") from error
