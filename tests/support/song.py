"""A project folder under test: inbox, outbox, project file, and a guard on its originals."""

import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from tests.support import wavefile
from tests.support.command import Command, Result
from tests.support.wavefile import PCM_24, Chunks, Kind

SongMaker = Callable[..., "Song"]
STATE = ".stager"


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def tree(folder: Path) -> dict[str, tuple[object, ...]]:
    """Return everything below a folder: type, size, times and hash of each entry, by its path as bytes in hex."""
    found: dict[str, tuple[object, ...]] = {}
    for path in sorted(folder.rglob("*")):
        state = path.lstat()
        whole = sha256(path) if path.is_file() and not path.is_symlink() else ""
        key = os.fsencode(path.relative_to(folder)).decode("utf-8", "backslashreplace")
        found[key] = (oct(state.st_mode), state.st_size, state.st_mtime_ns, state.st_ino, whole)
    return found


@dataclass(frozen=True)
class Song:
    """A project; `inbox` and `outbox` are the default folders."""

    stager: Command
    folder: Path

    @classmethod
    def made(cls, stager: Command, folder: Path, toml: str = "") -> "Song":
        """Make the folders and a project file: a name, a version, and what `toml` adds."""
        song = cls(stager, folder)
        song.inbox.mkdir(parents=True)
        song.outbox.mkdir()
        project = "" if "[project]" in toml else '[project]\nname = "Salt Road"\n'
        song.file.write_text(f"version = 1\n{project}{toml}", "utf-8")
        return song

    @property
    def inbox(self) -> Path:
        """Where originals lie."""
        return self.folder / "bounces"

    @property
    def outbox(self) -> Path:
        """Where copies appear."""
        return self.folder / "staged"

    @property
    def file(self) -> Path:
        """The project file."""
        return self.folder / "stager.toml"

    def put(
        self, name: str, samples: NDArray[Any], rate_hz: int = 48_000, kind: Kind = PCM_24, **chunks: Chunks
    ) -> Path:
        """Write an original that looks as if it had been at rest for a while, so that nothing waits for it."""
        path = wavefile.write(self.inbox / name, samples, rate_hz, kind, **chunks)
        self.rest(name, 10.0)
        return path

    def stage(self, *args: str, obey_permissions: bool = False) -> Result:
        """Stage once; fails where any original is another file afterwards, in bytes, times or place."""
        before = tree(self.inbox)
        result = self.stager("stage", self.folder, *args, obey_permissions=obey_permissions)
        assert tree(self.inbox) == before, "staging changed the originals"
        return result

    def outcomes(self, *args: str) -> dict[str, dict[str, Any]]:
        """Stage once with --json and give the outcomes by stem."""
        listed = self.stage("--json", *args).json()["outcomes"]
        named = {outcome["stem"]: outcome for outcome in listed}
        assert len(named) == len(listed)
        return named

    def outcome(self, stem: str, *args: str) -> dict[str, Any]:
        """Stage once and give the outcome of one stem."""
        return self.outcomes(*args)[stem]

    def copy(self, name: str) -> wavefile.Wave:
        """Read a copy."""
        return wavefile.read(self.outbox / name)

    def original(self, name: str) -> wavefile.Wave:
        """Read an original."""
        return wavefile.read(self.inbox / name)

    def sidecar(self, name: str) -> dict[str, Any]:
        """Read the sidecar of a copy."""
        parsed: dict[str, Any] = json.loads((self.outbox / f"{name}.json").read_text("utf-8"))
        return parsed

    def outbox_names(self) -> set[str]:
        """Return every file in the outbox, hidden ones too, but for the two tables."""
        files = (path for path in self.outbox.rglob("*") if not path.is_dir())
        names = {path.relative_to(self.outbox).as_posix() for path in files}
        return names - {"report.json", "report.csv"}

    def settled(self) -> dict[str, Any]:
        """Return what no way of staging the same stems may change: every copy, every sidecar but its hour."""
        found: dict[str, Any] = {}
        for name in sorted(self.outbox_names()):
            path = self.outbox / name
            found[name] = {**json.loads(path.read_text()), "staged_at": ""} if path.suffix == ".json" else sha256(path)
        return found

    def rest(self, name: str, seconds: float = 3600.0) -> None:
        """Date an original back, as if it had been at rest for so long."""
        path = self.inbox / name
        then = path.stat().st_mtime - seconds
        os.utime(path, (then, then))
