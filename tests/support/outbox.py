"""What must never lie in an outbox, whatever happened to the process that filled it."""

import json
from collections.abc import Container
from pathlib import Path
from typing import Any

from tests.support.song import Song, sha256

REPORTS = ("report.json", "report.csv", "report.html", "notes.md")


def is_draft(path: Path) -> bool:
    """Return whether a name is of the one pattern that a start cleans up."""
    return path.name.startswith(".stager-") and path.name.endswith(".tmp")


def drafts(song: Song) -> list[str]:
    """Return the drafts that lie in the outbox and beside the ledger."""
    places = (song.outbox, song.folder / ".stager")
    return sorted(path.name for place in places for path in place.rglob("*") if is_draft(path))


def wrongs(song: Song, copies: Container[str]) -> list[str]:
    """Return a line for every file that is neither a whole copy, nor the sidecar of the copy beside it, nor a draft.

    `copies` are the hashes of every copy that a calm run makes of what lay in the inbox at any time.
    """
    files = [path for path in song.outbox.rglob("*") if not path.is_dir() and not is_draft(path)]
    return [line for path in files if (line := _wrong(path, copies))]


def _wrong(path: Path, copies: Container[str]) -> str | None:
    if path.name in REPORTS:
        if path.suffix == ".json":
            json.loads(path.read_text("utf-8"))
        return None
    if path.suffix != ".json":
        return None if sha256(path) in copies else f"{path.name} is no copy of a calm run's"
    copy = path.with_suffix("")
    described = json.loads(path.read_text("utf-8"))["copy"]["sha256"]
    same = copy.is_file() and sha256(copy) == described
    return None if same else f"{path.name} describes another copy than the one beside it"


def copies_in(settled: dict[str, Any]) -> set[str]:
    """Return the hashes of the copies in what `Song.settled` gave."""
    return {found for found in settled.values() if isinstance(found, str)}
