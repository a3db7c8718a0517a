"""Reads what a watch wrote about its projects: takes, sidecars, refusals, status. Takes no lock, writes nothing."""

import json
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from hashlib import sha256
from os import fsencode
from pathlib import Path
from threading import Lock
from typing import Any, Final

from stager.errors import StagerError
from stager.model import Outcome
from stager.model.takes import RefusedTake, Take, TakeOutcome
from stager.page.showing import MOST_BEFORE, song_shown
from stager.project import Project
from stager.project.inbox import is_take
from stager.report import collect
from stager.system.files import read_whole
from stager.system.printable import on_screen
from stager.watch.status import Status, read_status

TAKES_NAME: Final = "takes.json"
KEY_DIGITS: Final = 12
LIST: Final = ""
"""The key of the list of songs; where there is only one song, the key of that song."""


class Songs:
    """The projects of one process, by a key that a restart does not change. May be used by many threads.

    `found` returns the projects that `--discover` finds beside those.
    """

    def __init__(self, projects: Iterable[Project], found: Callable[[], Sequence[Project]] = lambda: ()) -> None:
        self._turn, self._found = Lock(), found
        self._projects = {key_of(project): project for project in projects}

    def heard(self, project: Project) -> None:
        """Replace a project by its present version: its file may have been edited."""
        with self._turn:
            self._projects[key_of(project)] = project

    def all(self) -> dict[str, Project]:
        """Return every project by its key."""
        found = {key_of(project): project for project in self._found()}
        with self._turn:
            self._projects = known = found | self._projects
        # outside the lock: a folder that does not answer must not block the watch, which calls `heard`
        return {key: project for key, project in known.items() if project.file.exists()}

    def state(self, key: str) -> dict[str, Any] | None:
        """Return what is shown under a key; None where there is no such song."""
        songs = self.all()
        if key == LIST and len(songs) != 1:
            listed = [_line(key, project) for key, project in songs.items()]
            return {"kind": "list", "name": "Songs", "songs": listed}
        project = _one(songs, key)
        return read_song(project) if project else None

    def pulse(self, key: str) -> dict[str, Any]:
        """Return the status of a song's watch; of a list, the worst of all."""
        songs = self.all()
        one = _one(songs, key)
        pulses = [read_pulse(project) for project in ([one] if one else songs.values())]
        return max(pulses, key=_worry, default={"state": "not_watched", "says": "", "seen_s": None, "queue": 0})


def key_of(project: Project) -> str:
    """Return the key of a project: from the path of its file, so that an open page finds it again after a restart."""
    return sha256(fsencode(project.file)).hexdigest()[:KEY_DIGITS]


def read_song(project: Project) -> dict[str, Any]:
    """Return all that the page shows of a song; where something can't be read, the reason instead."""
    try:
        outcomes = collect(project)
    except StagerError as error:
        return _shown(project, []) | {"trouble": on_screen(str(error))}
    return _shown(project, outcomes)


def _shown(project: Project, outcomes: Sequence[Outcome]) -> dict[str, Any]:
    return song_shown(project.name, read_takes(project), outcomes, has_takes_folder=project.takes is not None)


def read_takes(project: Project) -> list[TakeOutcome]:
    """Return the latest takes, oldest first; none where no take was judged yet."""
    takes: list[TakeOutcome] = []
    with suppress(ValueError, KeyError, TypeError):
        for take in json.loads(read_whole(project.state / TAKES_NAME) or b'{"takes": []}')["takes"][-MOST_BEFORE - 1 :]:
            kind = RefusedTake if "refused" in take else Take
            takes.append(kind.model_validate_json(json.dumps(take), extra="ignore"))
    return takes


def read_pulse(project: Project, now: datetime | None = None) -> dict[str, Any]:
    """Return what the watch of a project does, and how many seconds ago it was last seen."""
    try:
        status = read_status(project)
    except StagerError as error:
        return {"state": "paused", "says": on_screen(str(error)), "seen_s": None, "queue": 0}
    seen_s = None
    if status.last_seen_at is not None:
        with suppress(ValueError, TypeError):
            seen = datetime.fromisoformat(status.last_seen_at)
            seen_s = max(0.0, ((now or datetime.now(UTC)) - seen).total_seconds())
    found = {"state": status.state, "says": on_screen(status.says), "seen_s": seen_s, "queue": status.queue}
    return found | {"recording": _recording(project, status)}


def _recording(project: Project, status: Status) -> str | None:
    """Return the name of a take that is still being written, None where there is none."""
    if project.takes is None:
        return None
    names = (name for name, _ in status.waiting if is_take(project, name))
    return next((on_screen(name) for name in names), None)


def _one(songs: dict[str, Project], key: str) -> Project | None:
    return next(iter(songs.values())) if key == LIST and len(songs) == 1 else songs.get(key)


def _line(key: str, project: Project) -> dict[str, Any]:
    """Return a song as the list shows it."""
    song = read_song(project)
    return {"key": key, "name": song["name"], "folder": on_screen(Path(project.folder).name), "newest": song["newest"]}


def _worry(pulse: dict[str, Any]) -> tuple[int, float]:
    """Return how much a status asks for attention: the state first, then its age."""
    return {"watching": 0, "busy": 0, "paused": 1}.get(pulse["state"], 2), pulse["seen_s"] or 0.0
