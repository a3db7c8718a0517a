"""Runs the watch of many projects until it is told to stop, or until nothing is left to do."""

import signal
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Final

from stager.errors import ConfigError, PlaceGone
from stager.plugins.projects import load_project
from stager.project import Project
from stager.system.cancel import allow_work, request_stop
from stager.system.printable import shown
from stager.watch.discover import project_files_below
from stager.watch.environment import raise_descriptor_limit
from stager.watch.listeners import Listeners
from stager.watch.resources import Resources, shared_resources
from stager.watch.scheduler import Scheduler
from stager.watch.supervisor import PAUSE_S, Supervisor

CHECK_S: Final = 0.2
DISCOVER_S: Final = 3.0
DISCOVER_SHARE: Final = 0.005
"""The share of a core that looking for new projects may take: where that takes long, it is done less often."""
ENDING: Final = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
"""Signals that end a watch; the last where a terminal is closed."""


class Daemon:
    """Watches projects; `run` returns when it is over, with the number of the signal that ended it, or None.

    `parents` are folders below which new projects are taken up as they come.
    """

    def __init__(
        self,
        projects: Sequence[Project],
        listeners: Listeners,
        *,
        poll: bool,
        until_idle_s: float | None,
        parents: Sequence[Path] = (),
    ) -> None:
        self._projects, self._parents, self._listeners = projects, parents, listeners
        self._poll, self._until_idle_s = poll, until_idle_s
        self._signal: int | None = None
        self._scheduler = Scheduler()
        self._supervisors: dict[Path, Supervisor] = {}
        self._starting: dict[Path, Supervisor] = {}
        self._not_watched: dict[Path, str] = {}
        self._found: dict[Path, Path] = {}
        self._discover_at_s = 0.0

    def run(self) -> int | None:
        """Watch until SIGINT or SIGTERM, or until nothing happened for `until_idle_s`.

        Raises:
            AlreadyWatched: where another process watches the projects; with several, the others are watched.
            PlaceError: where a folder is missing at the start; likewise.
        """
        raise_descriptor_limit()
        with self._handling_signals(), shared_resources(self._warn, poll=self._poll) as resources:
            try:
                self._begin(resources)
                self._loop(resources)
            finally:
                request_stop()
                self._scheduler.close()
        return self._signal

    def _warn(self, says: str) -> None:
        self._listeners.log(says, level="warning")

    def _begin(self, resources: Resources) -> None:
        """Start every project that was named; those that can't be watched are logged, or raised where no other can."""
        for project in self._projects:
            self._supervise(project, resources)
        errors = [error for supervisor in self._starting.values() if (error := supervisor.begun.exception())]
        if errors and len(errors) == len(self._starting) and not self._parents:
            raise errors[0]
        self._check_started()

    def _supervise(self, project: Project, resources: Resources) -> None:
        supervisor = Supervisor(project, self._listeners, resources, self._scheduler.wake)
        self._supervisors[project.file] = self._starting[project.file] = supervisor
        self._scheduler.add(supervisor)

    def _check_started(self) -> None:
        """Close the projects that can't be watched, each reason logged once; those found are tried again."""
        for file, supervisor in [(file, found) for file, found in self._starting.items() if found.begun.done()]:
            del self._starting[file]
            error = supervisor.begun.exception()
            if error is None:
                self._not_watched.pop(file, None)
            else:
                self._scheduler.remove(self._supervisors.pop(file))
                self._not_watch(file, str(error))

    def _not_watch(self, file: Path, reason: str) -> None:
        if self._not_watched.get(file) != reason:
            self._not_watched[file] = reason
            self._warn(f"not watched: {reason}")

    def _loop(self, resources: Resources) -> None:
        begun_s = time.monotonic()
        while self._signal is None:
            self._scheduler.run(CHECK_S if self._until_idle_s is not None or self._starting else DISCOVER_S)
            now_s = time.monotonic()
            self._check_started()
            self._discover(resources, now_s)
            if self._until_idle_s is not None and self._is_idle(begun_s, now_s, self._until_idle_s):
                return

    def _is_idle(self, begun_s: float, now_s: float, until_idle_s: float) -> bool:
        """Return whether nothing happened for long enough.

        Raises:
            PlaceError: what has kept a project from working for longer than the idle time and one more try.
        """
        supervisors = self._supervisors.values()
        for supervisor in supervisors:
            trouble = supervisor.trouble
            if trouble and now_s - supervisor.trouble_since_s > until_idle_s + PAUSE_S + 1.0:
                raise trouble
        quiet_since_s = max(begun_s, *(supervisor.active_at_s for supervisor in supervisors), 0.0)
        return not any(supervisor.is_busy for supervisor in supervisors) and now_s - quiet_since_s >= until_idle_s

    def _discover(self, resources: Resources, now_s: float) -> None:
        """Start to watch projects that appeared, and stop watching those whose file is gone."""
        if not self._parents or now_s < self._discover_at_s:
            return
        files = [file for parent in self._parents for file in project_files_below(parent)]
        self._found = {file: self._found.get(file) or file.resolve() for file in files}
        found = set(self._found.values())
        for file in sorted(found - self._supervisors.keys()):
            self._take_up(file, resources)
        for file in self._supervisors.keys() - found - {project.file for project in self._projects}:
            supervisor = self._supervisors.pop(file)
            self._starting.pop(file, None)
            self._scheduler.remove(supervisor)
            says = f"{supervisor.project.name} is no longer there, and no longer watched"
            self._listeners.log(says, supervisor.project)
        cost_s = time.monotonic() - now_s
        self._discover_at_s = time.monotonic() + max(DISCOVER_S, cost_s / DISCOVER_SHARE)

    def _take_up(self, file: Path, resources: Resources) -> None:
        """Watch a project that was found; one whose file is wrong is logged once, and read again."""
        try:
            self._supervise(load_project(file), resources)
        except ConfigError as error:
            self._not_watch(file, str(error))

    @contextmanager
    def _handling_signals(self) -> Iterator[None]:
        allow_work()
        former = {number: signal.signal(number, self._stop) for number in ENDING}
        try:
            yield
        finally:
            for number, handler in former.items():
                signal.signal(number, handler)
            allow_work()

    def _stop(self, number: int, _frame: FrameType | None) -> None:
        self._signal = number
        request_stop()
        self._scheduler.interrupt()


def check_parents(parents: Sequence[Path]) -> None:
    """See that folders to discover projects in are there.

    Raises:
        PlaceGone: where one is not.
    """
    for parent in parents:
        if not parent.is_dir():
            raise PlaceGone(f"{shown(parent)}: expected a folder with projects below it, found none")
