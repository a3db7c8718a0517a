"""What a running watch is doing, told to other processes by a small file, and read back by them."""

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal

from stager.files import read_whole, write_passing
from stager.ledger import read_entries
from stager.locks import lock_holder
from stager.model import Refused
from stager.names import shown
from stager.processes import is_running
from stager.project import Project
from stager.staging import LEDGER, LOCK

STATUS_NAME: Final = "watch.json"
STATUS_SCHEMA: Final = "stager/status/1"
HEARTBEAT_S: Final = 10.0
"""How often a watch shows that it lives, when nothing happens."""
MOST_WAITING: Final = 50
PAUSE_SEEN_S: Final = 60.0
"""How long ago a watch that pauses must have been seen to count as one that runs."""

State = Literal["watching", "busy", "paused"]


@dataclass(frozen=True)
class Doing:
    """What a watch is at: `says` is why it pauses; `waiting` why stems wait, by stem."""

    state: State
    queue: int = 0
    waiting: Mapping[str, str] | None = None
    says: str = ""


@dataclass(frozen=True)
class Status:
    """What is known of a project's watch: its last sign of life, and which stems have no copy.

    `pid` is None, and `state` "not_watched", where no process watches it; `last_seen_at` is then the last sign of an
    earlier one, if it left any.
    """

    project: str
    state: str
    pid: int | None
    last_seen_at: str | None
    queue: int
    waiting: tuple[tuple[str, str], ...]
    says: str
    failures: tuple[Refused, ...]

    def to_data(self) -> dict[str, Any]:
        """Give the JSON document of `status`."""
        waiting = [{"stem": stem, "says": says} for stem, says in self.waiting]
        failures = [refused.to_data() for refused in self.failures]
        return {"schema": STATUS_SCHEMA, **asdict(self), "waiting": waiting, "failures": failures}


def write_status(project: Project, doing: Doing) -> None:
    """Leave a sign of life beside the ledger.

    Raises:
        PlaceError: where it can't be written.
    """
    waiting = [[shown(stem), says] for stem, says in list((doing.waiting or {}).items())[:MOST_WAITING]]
    content = {"pid": os.getpid(), "at": _now(), "state": doing.state, "queue": doing.queue}
    text = json.dumps({**content, "waiting": waiting, "says": doing.says})
    write_passing(project.state / STATUS_NAME, text.encode())


def read_status(project: Project) -> Status:
    """Say what a project's watch is doing, from outside; takes no lock.

    Raises:
        PlaceError: where the ledger can't be read.
    """
    left = _left_by_a_watch(project.state / STATUS_NAME)
    pid = lock_holder(project.state / LOCK) or _pausing(left)
    runs = pid is not None and left.get("pid") == pid
    known = left if runs else {}
    return Status(
        project=project.name,
        state=str(known.get("state", "busy" if pid else "not_watched")),
        pid=pid,
        last_seen_at=left.get("at"),
        queue=int(known.get("queue", 0)),
        waiting=tuple((str(stem), str(says)) for stem, says in known.get("waiting", ())),
        says=str(known.get("says", "")),
        failures=_failures(project),
    )


def _pausing(left: Mapping[str, Any]) -> int | None:
    """The watch that pauses and so holds no lock, but showed lately that it lives."""
    pid, at = left.get("pid"), left.get("at")
    if left.get("state") != "paused" or not isinstance(pid, int) or not isinstance(at, str) or not is_running(pid):
        return None
    return pid if age_s(at) < PAUSE_SEEN_S else None


def age_s(at: str) -> float:
    """Give how long ago an ISO 8601 time was, in s; a time to come counts as now."""
    return max(0.0, (datetime.now(UTC) - datetime.fromisoformat(at)).total_seconds())


def _left_by_a_watch(place: Path) -> dict[str, Any]:
    try:
        left = json.loads(read_whole(place) or b"{}")
    except ValueError:
        return {}
    return left if isinstance(left, dict) else {}


def _failures(project: Project) -> tuple[Refused, ...]:
    entries = (entry for entry in read_entries(project.state / LEDGER) if entry.state == "refused" and not entry.gone)
    return tuple(
        Refused(
            entry.stem,
            shown(Path(os.path.relpath(project.inbox / os.fsdecode(entry.key), project.folder))),
            entry.refused,
            entry.says,
        )
        for entry in entries
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
