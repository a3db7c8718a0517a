"""Everything that is open while a project is watched: its lock, its ledger, the watches of its folders."""

import os
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from stager.errors import PlaceGone
from stager.model.takes import TakeOutcome
from stager.project import Project
from stager.project.places import Places, check_apart
from stager.staging.ledger import LEDGER, LOCK
from stager.staging.publish import Staging, staging
from stager.staging.queue import OutcomeEvent, StemQueue
from stager.system.files import folder_identity, is_folder
from stager.system.printable import shown
from stager.watch.environment import lacks_events
from stager.watch.events import INSTEAD, Events
from stager.watch.project_watch import ProjectWatch
from stager.watch.resources import Resources
from stager.watch.set_watch import SetWatch
from stager.watch.takes_watch import TakesWatch

ROOM: Final = 4
"""Stems that a project may have in work for each core: finished ones are synced to the disk together."""

Identity = tuple[int, int] | None


@dataclass(frozen=True)
class Callbacks:
    """What a project calls: with outcomes of stems and takes, with lines for the log, and to be stepped again."""

    on_outcome: Callable[[OutcomeEvent], None]
    on_take: Callable[[TakeOutcome], None]
    log: Callable[[str], None]
    wake: Callable[[], None]


@dataclass(frozen=True)
class OpenProject:
    """A project under its lock; made by `open_project`. `folders` are the identities of its folders and files then."""

    project: Project
    stack: ExitStack
    stems: ProjectWatch
    takes: TakesWatch | None
    set_watch: SetWatch
    folders: tuple[Identity, ...]

    @property
    def is_same(self) -> bool:
        """Whether the same folders and files still lie under the project's names."""
        return identities(self.project) == self.folders

    @property
    def polls(self) -> bool:
        """Whether a folder is listed again and again, for want of events."""
        return self.stems.polls or (self.takes is not None and self.takes.polls)

    def close(self) -> None:
        """Cancel what is in work and close all; what was published until then stays."""
        self.stack.close()


def open_project(project: Project, resources: Resources, callbacks: Callbacks, *, is_first: bool) -> OpenProject:
    """Take a project's lock and listen to its folders; with `is_first`, a missing folder of takes is an error.

    Raises:
        PlaceError: where a place fails; nothing stays open then.
    """
    if not project.file.exists():
        raise PlaceGone(f"{shown(project.file)}: expected the project file, found none; was the song moved?")
    check_apart(Places(project.inbox, project.outbox, project.takes, project.state))
    with ExitStack() as stack:
        held = stack.enter_context(staging(project))
        queue = StemQueue(held, resources.stems, room=ROOM * (os.cpu_count() or 1), ready=callbacks.wake)
        events = _events(project.inbox, resources, callbacks, stack)
        stems = ProjectWatch(held, queue, events, callbacks.on_outcome, callbacks.log)
        stack.callback(stems.end)
        set_watch = SetWatch(project, resources.sets, callbacks.log, callbacks.wake)
        stack.callback(set_watch.end)
        takes = _takes(held, resources, callbacks, stack, is_first=is_first)
        return OpenProject(project, stack.pop_all(), stems, takes, set_watch, identities(project))


def identities(project: Project) -> tuple[Identity, ...]:
    """Return the identities of the folders and files under the watched names and under our own."""
    ours = project.state
    places = (project.inbox, project.outbox, project.takes, project.folder, ours, ours / LEDGER, ours / LOCK)
    return tuple(folder_identity(place) for place in places if place)


def _takes(
    held: Staging, resources: Resources, callbacks: Callbacks, stack: ExitStack, *, is_first: bool
) -> TakesWatch | None:
    """Watch the folder of takes, where the project has one."""
    project, folder = held.project, held.project.takes
    if folder is None:
        return None
    if not is_folder(folder):
        says = f"{shown(folder)}: expected the folder of takes of {project.name}, found none"
        if is_first:
            raise PlaceGone(says)
        callbacks.log(f"{says}; stems are staged, and takes are judged again when it is back")
        return None
    events = _events(folder, resources, callbacks, stack)
    takes = TakesWatch(project, held.ledger, resources.takes, events, callbacks.on_take, callbacks.log)
    stack.callback(takes.end)
    return takes


def _events(folder: Path, resources: Resources, callbacks: Callbacks, stack: ExitStack) -> Events | None:
    """Listen to a folder; None where it is polled, because that was asked for or the system gives no events."""
    observer = resources.observer
    if observer is None:
        return None
    if lacks_events(folder):
        callbacks.log(f"the system tells of no changes in {shown(folder)}; {INSTEAD}")
        return None
    events = observer.listen(folder, callbacks.wake)
    if events:
        stack.callback(observer.stop_listening, events)
    return events
