"""Runs the installed command in forks that die, or are refused something, at a chosen step (Linux).

A process of its own, started by `forks.py`. Each line on stdin is one run, as JSON: `argv`; `below`, the folder whose
files count; `kind` of steps; `step`, from 1 (0 only counts); `deed`; `lasting`, whether it befalls all later ones too;
`links`, whether the file system has hard links; `user`, whose rights the run has (0: ours); `clock_s`, what is added to
the time of day; `out`, where to put what it prints. Each line on stdout is how a run ended: its exit status, or minus
the signal.

A step of kind `write` is a call by which a file is made, written, synced, renamed or removed, or the ledger is told;
one of kind `read` is a call by which a file is opened for reading, or read. A deed is `count`; `kill`, `kill after` or
`kill half` (half of a write is done); `do COMMAND`, before the step; or the name of an error number.
"""

import errno
import io
import json
import os
import random
import signal
import sqlite3
import struct
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any, Final

REAL_OPEN, REAL_FDOPEN, REAL_WRITE = os.open, os.fdopen, os.write
REAL_CONNECT, REAL_TIME = sqlite3.connect, time.time
WRITES: Final = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_DIRECTORY
SQL_SAYS: Final = {
    errno.ENOSPC: "database or disk is full",
    errno.EIO: "disk I/O error",
    errno.EROFS: "attempt to write a readonly database",
    errno.EACCES: "unable to open database file",
}
HUNG_S: Final = 120


def _path_of(file: Any) -> str:
    """Return the path of an open file, or of a path in whatever form."""
    return str(Path(f"/proc/self/fd/{file}").readlink()) if isinstance(file, int) else os.fsdecode(file)


class Hook:
    """Counts the steps of one run, and does the deed at its step."""

    def __init__(self, run: dict[str, Any]) -> None:
        self._run, self._count, self._lock = run, 0, threading.Lock()
        self._trace = REAL_OPEN(f"{run['out']}.steps", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)

    def install(self) -> None:
        """Stand between the command and the system."""
        for name in ("fsync", "ftruncate", "pwrite", "write", "unlink", "mkdir", "rmdir", "truncate", "utime"):
            self._stand_before(name, "write", 0)
        for name in ("link", "rename", "replace", "symlink"):
            self._stand_before(name, "write", 1)
        for name in ("pread", "read"):
            self._stand_before(name, "read", 0)
        if not self._run["links"]:
            os.link = _no_links  # type: ignore[assignment]
        os.open, os.fdopen = self._open, self._fdopen  # type: ignore[assignment]
        sqlite3.connect = lambda *args, **named: REAL_CONNECT(*args, factory=_counted(self), **named)
        time.time = lambda: REAL_TIME() + self._run["clock_s"]

    def step(self, kind: str, name: str, path: str, call: Callable[[], Any], half: Callable[[], Any]) -> Any:
        """Pass a call on, or do the deed where it is this one's turn."""
        if kind != self._run["kind"] or not path.startswith(self._run["below"]):
            return call()
        with self._lock:
            self._count += 1
            turn = self._count - self._run["step"]
            REAL_WRITE(self._trace, f"{name} {path}\n".encode("utf-8", "backslashreplace"))
        if self._run["step"] and (turn == 0 or (self._run["lasting"] and turn > 0 and name != "unlink")):
            self._do(name, path, call, half)
        return call()

    def told(self, sql: str, call: Callable[[], sqlite3.Cursor]) -> sqlite3.Cursor:
        """Pass a statement on to the ledger, as a step below the folder."""
        path = f"{self._run['below']}ledger"
        cursor: sqlite3.Cursor = self.step("write", f"sql {' '.join(sql.split()[:3])}", path, call, call)
        return cursor

    def _do(self, name: str, path: str, call: Callable[[], Any], half: Callable[[], Any]) -> None:
        deed: str = self._run["deed"]
        if deed.startswith("do "):
            os.system(deed.removeprefix("do "))  # noqa: S605 - a command of the test's own
            return
        if deed.startswith("kill"):
            with suppress(OSError):  # what would have failed anyway
                {"kill": lambda: None, "kill after": call, "kill half": half}[deed]()
            os.kill(os.getpid(), signal.SIGKILL)
        number = getattr(errno, deed)
        if name.startswith("sql"):
            raise sqlite3.OperationalError(SQL_SAYS[number])
        raise OSError(number, os.strerror(number), path)

    def _stand_before(self, name: str, kind: str, which: int) -> None:
        real = getattr(os, name)

        def stand_in(*args: Any, **named: Any) -> Any:
            path = _path_of(args[which])
            return self.step(kind, name, path, lambda: real(*args, **named), lambda: real(*args, **named))

        setattr(os, name, stand_in)

    def _open(self, path: Any, flags: int, *args: Any, **named: Any) -> int:
        kind, name = ("write" if flags & WRITES else "read"), f"open:{flags & WRITES:o}"

        def call() -> int:
            return REAL_OPEN(path, flags, *args, **named)

        opened: int = self.step(kind, name, _path_of(path), call, call)
        return opened

    def _fdopen(self, file: int, mode: str = "r", *args: Any, **named: Any) -> Any:
        if "b" not in mode or args or named:
            return REAL_FDOPEN(file, mode, *args, **named)
        raw = Counted(file, mode.replace("b", ""))
        raw.hook = self
        return io.BufferedRandom(raw) if raw.readable() and raw.writable() else io.BufferedReader(raw)


def _no_links(source: Any, place: Any) -> None:
    """Answer as a file system without hard links does (Linux, exFAT)."""
    raise OSError(errno.EPERM, os.strerror(errno.EPERM), source, None, place)


class Counted(io.FileIO):
    """An open file whose writes and reads are steps."""

    hook: Hook

    def write(self, data: Any, /) -> int:
        """Write, as a step."""
        whole = memoryview(data)

        def put(some: Any) -> int:
            return super(Counted, self).write(some)

        path, half = _path_of(self.fileno()), whole[: len(whole) // 2]
        written: int = self.hook.step("write", "write", path, lambda: put(whole), lambda: put(half))
        return written

    def readinto(self, into: Any, /) -> int:
        """Read, as a step."""

        def call() -> int:
            return super(Counted, self).readinto(into)

        got: int = self.hook.step("read", "readinto", _path_of(self.fileno()), call, call)
        return got


def _counted(hook: Hook) -> type[sqlite3.Connection]:
    """A connection whose statements that change anything are steps."""

    class Connection(sqlite3.Connection):
        def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
            def call() -> sqlite3.Cursor:
                return super(Connection, self).execute(sql, *args)

            return call() if sql.lstrip().startswith("SELECT") else hook.told(sql, call)

        def executescript(self, sql: str, /) -> sqlite3.Cursor:
            return hook.told(sql, lambda: super(Connection, self).executescript(sql))

    return Connection


def _play(run: dict[str, Any]) -> int:
    """Be the command, in a fork."""
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.alarm(HUNG_S)
    for number, name in ((1, "out"), (2, "err")):
        os.dup2(REAL_OPEN(f"{run['out']}.{name}", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666), number)
    Hook(run).install()
    if run["user"]:
        os.setgroups([])
        os.setgid(run["user"])
        os.setuid(run["user"])
    return _main(run["argv"])


def _main(argv: list[str]) -> int:
    sys.argv = ["stager", *argv]
    try:
        import_module("stager.cli.app").main()
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else 1
    except BaseException:  # noqa: BLE001 - as the interpreter would
        traceback.print_exc()
        return 70
    return 0


def _warm_up() -> None:
    """Stage two stems once, so that every module and compiled loop is there before the first fork."""
    with tempfile.TemporaryDirectory() as name:
        folder, drawn = Path(name), random.Random(1)
        (folder / "bounces").mkdir()
        (folder / "stager.toml").write_text('version = 1\n[project]\nname = "warm"\nsettle_s = 0.0\n')
        for channels, width in ((1, 2), (2, 3)):
            fmt = struct.pack("<HHIIHH", 1, channels, 48_000, 48_000 * channels * width, channels * width, 8 * width)
            body = b"WAVEfmt " + struct.pack("<I", 16) + fmt + b"data" + struct.pack("<I", 48_000 * channels * width)
            body += bytes(
                byte if n % width < width - 1 else 0 for n, byte in enumerate(drawn.randbytes(48_000 * width))
            )
            body += bytes(48_000 * (channels - 1) * width)
            (folder / "bounces" / f"{channels}.wav").write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
        with open(os.devnull, "w") as nowhere:  # noqa: PTH123 - a device
            stderr, sys.stderr = sys.stderr, nowhere
            stdout, sys.stdout = sys.stdout, nowhere
            status = _main(["stage", str(folder)])
            sys.stderr, sys.stdout = stderr, stdout
    assert status == 0, "the command can't stage two plain stems"
    left = {thread.name for thread in threading.enumerate() if not thread.name.startswith("beside")}
    assert left == {"MainThread"}, "a thread is left over; forks would lack it"  # those beside are begun anew


def main() -> None:
    """Serve until stdin ends."""
    answers = os.dup(1)
    _warm_up()
    for line in sys.stdin:
        run = json.loads(line)
        pid = os.fork()
        if pid == 0:
            os.close(answers)
            status = _play(run)
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(status)
        _, ended = os.waitpid(pid, 0)
        REAL_WRITE(answers, f"{os.waitstatus_to_exitcode(ended)}\n".encode())


if __name__ == "__main__":
    main()
