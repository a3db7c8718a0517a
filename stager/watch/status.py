"""What a running watch is doing: a small file that it writes and other processes read."""

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal

from stager.model import Refused
from stager.project import Project
from stager.report import REPORT_NAMES
from stager.staging.documents import documents
from stager.staging.ledger import LEDGER, LOCK, read_entries
from stager.system.files import read_whole, write_passing
from stager.system.locks import lock_holder
from stager.system.printable import shown
from stager.system.processes import is_running

STATUS_NAME: Final = "watch.json"
STATUS_SCHEMA: Final = "stager/status/1"
HEARTBEAT_S: Final = 10.0
"""How often a watch renews the file while nothing happens."""
MOST_WAITING: Final = 50
PAUSE_SEEN_S: Final = 60.0
"""A paused watch counts as running if it renewed the file within this time."""

State = Literal["watching", "busy", "paused"]


@dataclass(frozen=True)
class Doing:
    """What a watch is doing: `says` is why it pauses; `waiting` why stems wait, by stem."""

    state: State
    queue: int = 0
    waiting: Mapping[str, str] | None = None
    says: str = ""


@dataclass(frozen=True)
class Status:
    """What is known of a project's watch: when it was last seen, and which stems have no copy.

    `notes` says which of the tables, page and notes lie beside a person's file of the same name.

    `pid` is None, and `state` "not_watched", where no process watches it; `last_seen_at` is then when an earlier
    one was last seen, if it left a file.
    """

    project: str
    state: str
    pid: int | None
    last_seen_at: str | None
    queue: int
    waiting: tuple[tuple[str, str], ...]
    says: str
    failures: tuple[Refused, ...]
    notes: tuple[str, ...] = ()

    def to_data(self) -> dict[str, Any]:
        """Return the JSON document of `status`."""
        waiting = [{"stem": stem, "says": says} for stem, says in self.waiting]
        failures = [refused.to_data() for refused in self.failures]
        return {"schema": STATUS_SCHEMA, **asdict(self), "waiting": waiting, "failures": failures}


def write_status(project: Project, doing: Doing) -> int | None:
    """Write the status file, beside the ledger; return its time stamp, in ns, by which `renew_status` knows it again.

    Raises:
        PlaceError: where it can't be written.
    """
    waiting = [[shown(stem), says] for stem, says in list((doing.waiting or {}).items())[:MOST_WAITING]]
    content = {"pid": os.getpid(), "at": _now(), "state": doing.state, "queue": doing.queue, "renewed": "mtime"}
    text = json.dumps({**content, "waiting": waiting, "says": doing.says})
    write_passing(project.state / STATUS_NAME, text.encode())
    return _modified_ns(project)


def renew_status(project: Project, modified_ns: int | None) -> int | None:
    """Show that the watch lives and does what it did, by the time stamp of its file.

    Return the new stamp, in ns; None where the file is gone or is not the one that had `modified_ns`.
    """
    if modified_ns is None or _modified_ns(project) != modified_ns:
        return None
    try:
        os.utime(project.state / STATUS_NAME)
    except OSError:
        return None
    return _modified_ns(project)


def _modified_ns(project: Project) -> int | None:
    try:
        return (project.state / STATUS_NAME).stat().st_mtime_ns
    except OSError:
        return None


def read_status(project: Project) -> Status:
    """Return what a project's watch is doing; takes no lock.

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
        notes=tuple(document.says for document in documents(project, REPORT_NAMES) if document.says),
    )


def _pausing(left: Mapping[str, Any]) -> int | None:
    """Return the process of a paused watch, which holds no lock, where it renewed its file recently."""
    pid, at = left.get("pid"), left.get("at")
    if left.get("state") != "paused" or not isinstance(pid, int) or not isinstance(at, str) or not is_running(pid):
        return None
    return pid if age_s(at) < PAUSE_SEEN_S else None


def age_s(at: str) -> float:
    """Return how long ago an ISO 8601 time was, in s; a future time counts as now."""
    return max(0.0, (datetime.now(UTC) - datetime.fromisoformat(at)).total_seconds())


def _left_by_a_watch(place: Path) -> dict[str, Any]:
    try:
        left = json.loads(read_whole(place) or b"{}")
        renewed = datetime.fromtimestamp(place.stat().st_mtime, UTC).isoformat(timespec="milliseconds")
    except (ValueError, OSError):
        return {}
    if not isinstance(left, dict):
        return {}
    return left | {"at": max(str(left.get("at")), renewed)} if left.get("renewed") == "mtime" else left


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
