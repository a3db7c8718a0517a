"""Which files a process of this machine holds open for writing, where the system tells: Linux, through /proc.

Nothing is locked or leased: a lease would make the recorder's next open wait. What other users' processes hold is told
to nobody but the administrator; there, and on other systems, a file counts as free, and its rest alone decides.
Source: proc(5), `fd`, `fdinfo` and `maps`.
"""

import os
from collections.abc import Collection, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

PROC: Final = Path("/proc")
ACCESS_MODE: Final = getattr(os, "O_ACCMODE", 3)


@dataclass(frozen=True)
class Holder:
    """A process that holds a file open for writing."""

    pid: int
    name: str

    def __str__(self) -> str:
        """Name it as a person finds it in a list of processes."""
        return f"{self.name} (process {self.pid})"


def held_for_writing(paths: Collection[Path], proc: Path = PROC) -> dict[Path, Holder]:
    """Return those of these files that a process holds open for writing, each with the name of one that does."""
    wanted = dict(_identities(paths))
    found: dict[Path, Holder] = {}
    for process in _processes(proc) if wanted else ():
        for path in {*_open(process, wanted), *_mapped(process, wanted)}:
            found.setdefault(path, Holder(int(process.name), _name(process)))
    return found


def _identities(paths: Collection[Path]) -> Iterator[tuple[int, Path]]:
    for path in paths:
        with suppress(OSError):
            yield path.stat().st_ino, path


def _processes(proc: Path) -> Iterator[Path]:
    own = str(os.getpid())
    with suppress(OSError), os.scandir(proc) as entries:
        for entry in entries:
            if entry.name.isdecimal() and entry.name != own:
                yield proc / entry.name


def _open(process: Path, wanted: dict[int, Path]) -> Iterator[Path]:
    """Files that a process holds through a descriptor; only one of the same number is asked for in the file system."""
    with suppress(OSError), os.scandir(process / "fd") as entries:
        for entry in entries:
            with suppress(OSError):
                if not str(Path(entry.path).readlink()).startswith("/"):
                    continue
                flags, inode = _descriptor(process / "fdinfo" / entry.name)
                path = wanted.get(inode)
                writes = flags & ACCESS_MODE != os.O_RDONLY
                if path is not None and writes and os.path.samestat(Path(entry.path).stat(), path.stat()):
                    yield path


def _descriptor(info: Path) -> tuple[int, int]:
    """The flags of a descriptor and the number of its file (Linux 5.14 and newer say it; else 0)."""
    fields = dict(line.split(":", 1) for line in info.read_text("ascii", "replace").splitlines() if ":" in line)
    return int(fields.get("flags", "0"), 8), int(fields.get("ino", "0"))


def _mapped(process: Path, wanted: dict[int, Path]) -> Iterator[Path]:
    """Files that a process has mapped for writing; such a one may have closed its descriptor long ago."""
    with suppress(OSError), (process / "maps").open("rb") as lines:
        for line in lines:
            parts = line.split(maxsplit=5)
            if len(parts) < 6 or parts[1][1:2] != b"w" or parts[1][3:4] != b"s":
                continue
            path = wanted.get(int(parts[4]))
            if path is not None and os.fsencode(path) == parts[5].rstrip(b"\n"):
                yield path


def _name(process: Path) -> str:
    with suppress(OSError):
        return (process / "comm").read_text("utf-8", "replace").strip() or "a program"
    return "a program"
