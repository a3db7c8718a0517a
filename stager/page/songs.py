"""Reads what a watch left of its projects: takes, sidecars, refusals, signs of life. Takes no lock, writes nothing."""

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
from stager.files import read_whole
from stager.model.take import RefusedTake, Take, TakeOutcome
from stager.names import on_screen
from stager.page.showing import MOST_BEFORE, song_shown
from stager.project import Project
from stager.report import collect
from stager.watch import read_status

TAKES_NAME: Final = "takes.json"
KEY_DIGITS: Final = 12
LIST: Final = ""
"""Under which key the list of songs stands; of one song alone, it is that song."""


class Songs:
    """The projects of one process, by a key that a restart does not change. May be used by many threads.

    `found` gives projects that nobody has named yet, as `--discover` finds them.
    """

    def __init__(self, projects: Iterable[Project], found: Callable[[], Sequence[Project]] = lambda: ()) -> None:
        self._turn, self._found = Lock(), found
        self._projects = {key_of(project): project for project in projects}

    def heard(self, project: Project) -> None:
        """Take in a project as it is now: its file may have been edited."""
        with self._turn:
            self._projects[key_of(project)] = project

    def all(self) -> dict[str, Project]:
        """Give every project by its key."""
        found = {key_of(project): project for project in self._found()}
        with self._turn:
            self._projects = known = found | self._projects
        # a folder that does not answer is waited for here, and not by the watch, which comes to `heard`
        return {key: project for key, project in known.items() if project.file.exists()}

    def state(self, key: str) -> dict[str, Any] | None:
        """Give what is shown under a key; None where there is no such song."""
        songs = self.all()
        if key == LIST and len(songs) != 1:
            listed = [_line(key, project) for key, project in songs.items()]
            return {"kind": "list", "name": "Songs", "songs": listed}
        project = _one(songs, key)
        return read_song(project) if project else None

    def pulse(self, key: str) -> dict[str, Any]:
        """Give the last sign of life of a song's watch; of a list, the oldest of all."""
        songs = self.all()
        one = _one(songs, key)
        pulses = [read_pulse(project) for project in ([one] if one else songs.values())]
        return max(pulses, key=_worry, default={"state": "not_watched", "says": "", "seen_s": None, "queue": 0})


def key_of(project: Project) -> str:
    """Give the key of a project: from the path of its file, so that an open page finds it again after a restart."""
    return sha256(fsencode(project.file)).hexdigest()[:KEY_DIGITS]


def read_song(project: Project) -> dict[str, Any]:
    """Give all that the page shows of a song; what can't be read is said instead."""
    try:
        outcomes = collect(project)
    except StagerError as error:
        return song_shown(project.name, read_takes(project), []) | {"trouble": on_screen(str(error))}
    return song_shown(project.name, read_takes(project), outcomes)


def read_takes(project: Project) -> list[TakeOutcome]:
    """Give the latest takes, oldest first; none where no take was judged yet."""
    takes: list[TakeOutcome] = []
    with suppress(ValueError, KeyError, TypeError):
        for take in json.loads(read_whole(project.state / TAKES_NAME) or b'{"takes": []}')["takes"][-MOST_BEFORE - 1 :]:
            kind = RefusedTake if "refused" in take else Take
            takes.append(kind.model_validate_json(json.dumps(take), extra="ignore"))
    return takes


def read_pulse(project: Project, now: datetime | None = None) -> dict[str, Any]:
    """Say what the watch of a project does, and how many seconds ago it showed that it lives."""
    try:
        status = read_status(project)
    except StagerError as error:
        return {"state": "paused", "says": on_screen(str(error)), "seen_s": None, "queue": 0}
    seen_s = None
    if status.last_seen_at is not None:
        with suppress(ValueError, TypeError):
            seen = datetime.fromisoformat(status.last_seen_at)
            seen_s = max(0.0, ((now or datetime.now(UTC)) - seen).total_seconds())
    return {"state": status.state, "says": on_screen(status.says), "seen_s": seen_s, "queue": status.queue}


def _one(songs: dict[str, Project], key: str) -> Project | None:
    return next(iter(songs.values())) if key == LIST and len(songs) == 1 else songs.get(key)


def _line(key: str, project: Project) -> dict[str, Any]:
    """Give a song as the list shows it."""
    song = read_song(project)
    return {"key": key, "name": song["name"], "folder": on_screen(Path(project.folder).name), "newest": song["newest"]}


def _worry(pulse: dict[str, Any]) -> tuple[int, float]:
    """How much a sign of life asks for attention: the state first, then its age."""
    return {"watching": 0, "busy": 0, "paused": 1}.get(pulse["state"], 2), pulse["seen_s"] or 0.0
