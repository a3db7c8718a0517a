"""Runs the demo live in three processes: recorder, watcher and final check."""

import signal
import subprocess  # runs this same Python on modules of this package, nothing else
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from stager.demo.song import SONG
from stager.errors import ConfigError, PlaceError
from stager.system.files import is_folder, make_folder, write_new
from stager.system.printable import shown

FOLDER_NAME: Final = "stager-demo"
LOG_NAME: Final = "recorder.jsonl"
PATIENCE_S: Final = 120.0
"""Time that the watcher may take after the last bounce before the demo counts as hung."""

PROJECT_TEXT: Final = """\
# The demo's project: an invented song for a small ensemble. `stager new DIR` writes a fuller file for a song of yours.
version = 1

[project]
name = "Salt Road"
inbox = "bounces"            # the recorder bounces into this folder; nothing here is ever changed
outbox = "staged"            # trimmed copies appear here, each with its log beside it
tempo_bpm = 92
key = "D minor"

[target]
rule = "average"
level_db = -18.0             # dBFS RMS while the part plays; reference: AES17, a full-scale sine reads 0
reference = "sine"
ceiling_dbtp = -3.0          # no copy's true peak passes this
max_boost_db = 18.0          # raised stems are louder: turn monitors down before you first play them

[[role]]
name = "hand drum"
match = ["*tabla*"]
target = { rule = "peak", level_db = -10.0 }   # a struck part has no steady average
"""


@dataclass(frozen=True)
class Stage:
    """The folders of one demo."""

    folder: Path

    @property
    def inbox(self) -> Path:
        """The folder that the recorder bounces into."""
        return self.folder / "bounces"

    @property
    def outbox(self) -> Path:
        """The folder in which copies appear."""
        return self.folder / "staged"

    @property
    def log(self) -> Path:
        """The recorder's log: when it closed each stem, and its hash."""
        return self.folder / LOG_NAME


def set_up(folder: Path | None) -> Stage:
    """Make the demo's project in a folder that is new or empty.

    Raises:
        ConfigError: where something lies in that folder.
    """
    chosen = (folder or _free_name(Path.cwd())).absolute()
    if chosen.exists() and (not is_folder(chosen) or any(chosen.iterdir())):
        raise ConfigError(f"{shown(chosen)}: expected a new or empty folder for the demo, found something in it")
    stage = Stage(chosen)
    make_folder(stage.inbox)
    make_folder(stage.outbox)
    write_new(chosen / "stager.toml", PROJECT_TEXT.encode())
    return stage


def show(stage: Stage, pace_s: float, say: Callable[[str], None]) -> int:
    """Run the three processes and return the exit status of the check.

    Raises:
        PlaceError: where recorder or watcher failed or hung.
    """
    say("A recorder bounces ten stems, a watch stages them as they settle, then the copies are verified.")
    watcher = subprocess.Popen(_module("stager", "watch", str(stage.folder)))
    try:
        recorder = _module("stager.demo.recorder", str(stage.inbox), str(stage.log), "--pace", str(pace_s))
        if subprocess.run(recorder, check=False).returncode:
            raise PlaceError("the demo's recorder could not bounce its stems; its own words stand above")
        _await_copies(stage, watcher)
    finally:
        watcher.send_signal(signal.SIGTERM)
        watcher.wait()
    return subprocess.run(_module("stager.demo.check", str(stage.folder)), check=False).returncode


def _await_copies(stage: Stage, watcher: subprocess.Popen[bytes]) -> None:
    """Wait until every part of the song has its sidecar, which is written last."""
    wanted = {f"{part.name}.json" for part in SONG}
    deadline_s = time.monotonic() + PATIENCE_S
    while not wanted <= {path.name for path in stage.outbox.iterdir()}:
        if watcher.poll() is not None:
            raise PlaceError("the watcher ended before the last stem was staged; its own words stand above")
        if time.monotonic() > deadline_s:
            raise PlaceError(f"expected every stem staged {PATIENCE_S:g} s after the last bounce, some are not")
        time.sleep(0.1)


def _module(name: str, *arguments: str) -> list[str]:
    return [sys.executable, "-m", name, *arguments]


def _free_name(parent: Path) -> Path:
    """Return a folder name for the demo that is still free here."""
    number = 1
    while (parent / (FOLDER_NAME if number == 1 else f"{FOLDER_NAME}-{number}")).exists():
        number += 1
    return parent / (FOLDER_NAME if number == 1 else f"{FOLDER_NAME}-{number}")
