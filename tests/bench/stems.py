"""Stems on the disk in the inbox of a project, and what it costs to stage them all once."""

import json
import os
import shutil
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from tests.bench.kinds import RATE_HZ, Samples, variants, written
from tests.bench.rows import Row
from tests.bench.timing import STAGER, Cost, Failed, Line, run

PROJECT: Final = 'version = 1\n\n[project]\nname = "Bench"\n'
FRAME_BYTES: Final = 6


class Skipped(Exception):
    """What can't be done on this machine, with the reason in one line."""


@dataclass(frozen=True)
class Room:
    """Where a bench works, how many rounds it does, and whether at full size."""

    folder: Path
    rounds: int
    full: bool

    @property
    def album(self) -> int:
        """How many stems of four minutes."""
        return 60 if self.full else 8


StemQueue = Callable[[Room], Iterator[Row | str]]
"""Gives rows, and sentences about what they hold for."""


@dataclass(frozen=True)
class Stems:
    """A project; its stems lie in `bounces`, and stay there from round to round."""

    folder: Path

    @classmethod
    def made(cls, folder: Path, sounds: Iterable[tuple[str, Samples]] = ()) -> "Stems":
        """Make the project and write its stems, as if they had rested for an hour."""
        stems = cls(folder)
        (folder / "bounces").mkdir(parents=True)
        (folder / "stager.toml").write_text(PROJECT, "utf-8")
        stems.clear()
        for name, samples in sounds:
            written(folder / "bounces" / name, samples)
        return stems.rested()

    def rested(self) -> "Stems":
        """Set the times of all stems an hour back: a run waits for files that were just written."""
        for path in self.paths:
            os.utime(path, (time.time() - 3600.0,) * 2)
        return self

    @property
    def paths(self) -> list[Path]:
        """The stems, by name."""
        return sorted((self.folder / "bounces").iterdir())

    def clear(self) -> None:
        """Take away what a run leaves: copies, sidecars, the ledger."""
        for made in ("staged", ".stager"):
            shutil.rmtree(self.folder / made, ignore_errors=True)
        (self.folder / "staged").mkdir()

    def staged(self, *options: str, command: Line = (STAGER,)) -> Cost:
        """Stage all of them in an empty outbox, with the installed command or one that stands for it.

        Raises:
            Failed: where a copy or its sidecar is missing, or has another length than its original.
        """
        self.clear()
        log = self.folder / "stage"
        cost = run([*command, "stage", self.folder, "--json", *options], log=log)
        outcomes = json.loads(log.with_suffix(".out").read_bytes())["outcomes"]
        for path in self.paths:
            copy = self.folder / "staged" / path.name
            if not copy.with_name(f"{copy.name}.json").is_file() or copy.stat().st_size != path.stat().st_size:
                raise Failed(f"stager stage left no whole copy of {path.name}")
        if len(outcomes) != len(self.paths):
            raise Failed(f"stager stage told of {len(outcomes)} stems, expected {len(self.paths)}")
        return cost


def needs(folder: Path, size: float) -> None:
    """Ask for so many bytes of free space.

    Raises:
        Skipped: where they aren't there.
    """
    free = shutil.disk_usage(folder).free
    if free < size:
        raise Skipped(f"needs {size / 1e9:.1f} GB in {folder}, {free / 1e9:.1f} GB are free")


@cache
def album(room: Room) -> Stems:
    """Make the stems of four minutes, stereo, 48 kHz, 24 bits, once for all that use them.

    Raises:
        Skipped: where they and their copies don't fit on the disk.
    """
    needs(room.folder, 2.2 * room.album * 240 * RATE_HZ * FRAME_BYTES)
    return Stems.made(room.folder / "album", variants(240, room.album))


def compiled(room: Room) -> None:
    """Stage a few short stems and measure one, so that no loop is compiled while a clock runs."""
    Stems.made(room.folder / "compiled", variants(4, 4)).staged()
    run([STAGER, "measure", second(room)], log=room.folder / "compiled.log")


@cache
def second(room: Room) -> Path:
    """Make one stem of a second."""
    sound = next(sound for name, sound in variants(4, 4) if "phrased" in name)
    return written(room.folder / "second.wav", sound[:RATE_HZ])
