"""Runs the watch of many projects until it is told to stop, or until nothing is left to do."""

import signal
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Final

from stager.errors import ConfigError, PlaceError, PlaceGone
from stager.names import shown
from stager.project import Project
from stager.steps.projects import load_project
from stager.stopping import allow_work, request_stop
from stager.watch.discover import project_files_below
from stager.watch.keeper import PAUSE_S, Keeper
from stager.watch.voice import Voice

LOOK_S: Final = 0.2
DISCOVER_S: Final = 3.0
MOST_PROJECTS: Final = 1000
ENDING: Final = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
"""Signals that end a watch; the last where a terminal is closed."""


class Daemon:
    """Watches projects; `run` returns when it is over, with the number of the signal that ended it, or None.

    `parents` are folders below which new projects are taken up as they come.
    """

    def __init__(
        self,
        projects: Sequence[Project],
        voice: Voice,
        *,
        poll: bool,
        until_idle_s: float | None,
        parents: Sequence[Path] = (),
    ) -> None:
        self._projects, self._parents, self._voice = projects, parents, voice
        self._poll, self._until_idle_s = poll, until_idle_s
        self._signal: int | None = None
        self._keepers: dict[Path, tuple[Keeper, Future[None]]] = {}
        self._passed_over: dict[Path, str] = {}
        self._discover_at_s = 0.0

    def run(self) -> int | None:
        """Watch until SIGINT or SIGTERM, or until nothing happened for `until_idle_s`.

        Raises:
            AlreadyWatched: where another process watches the projects; with several, the others are watched.
            PlaceError: where a folder is missing at the start; likewise.
        """
        with self._listening(), ThreadPoolExecutor(MOST_PROJECTS, thread_name_prefix="project") as threads:
            try:
                self._begin(threads)
                self._loop(threads)
            finally:
                request_stop()
                for keeper, _ in self._keepers.values():
                    keeper.stop()
        return self._signal

    def _begin(self, threads: ThreadPoolExecutor) -> None:
        """Start every project that was named; one that can't be watched is said, and is an error where no other can."""
        failed: list[PlaceError] = []
        for project in self._projects:
            self._keep(project, threads)
        for keeper, _ in list(self._keepers.values()):
            try:
                keeper.begun.result()
            except PlaceError as error:
                failed.append(error)
                self._keepers.pop(keeper.project.file)
        if failed and not self._keepers and not self._parents:
            raise failed[0]
        for says in map(str, failed):
            self._voice.say(f"not watched: {says}", level="warning")

    def _keep(self, project: Project, threads: ThreadPoolExecutor) -> Keeper:
        keeper = Keeper(project, self._voice, poll=self._poll)
        self._keepers[project.file] = keeper, threads.submit(keeper.run)
        return keeper

    def _loop(self, threads: ThreadPoolExecutor) -> None:
        begun_s = time.monotonic()
        while self._signal is None:
            time.sleep(LOOK_S)
            now_s = time.monotonic()
            self._discover(threads, now_s)
            for _, work in self._keepers.values():
                if work.done():
                    work.result()  # a thread that ended by itself ended by a fault of ours
            if self._until_idle_s is not None and self._is_idle(begun_s, now_s, self._until_idle_s):
                return

    def _is_idle(self, begun_s: float, now_s: float, until_idle_s: float) -> bool:
        """Whether nothing happened for long enough.

        Raises:
            PlaceError: what has kept a project from working for longer than the idle time and one more try.
        """
        keepers = [keeper for keeper, _ in self._keepers.values()]
        for keeper in keepers:
            trouble = keeper.trouble
            if trouble and now_s - keeper.trouble_since_s > until_idle_s + PAUSE_S + 1.0:
                raise trouble
        quiet_since_s = max(begun_s, *(keeper.active_at_s for keeper in keepers), 0.0)
        return not any(keeper.is_busy for keeper in keepers) and now_s - quiet_since_s >= until_idle_s

    def _discover(self, threads: ThreadPoolExecutor, now_s: float) -> None:
        """Take up projects that came since, and let go of those whose file is gone."""
        if not self._parents or now_s < self._discover_at_s:
            return
        found = {file.resolve() for parent in self._parents for file in project_files_below(parent)}
        for file in sorted(found - self._keepers.keys()):
            self._take_up(file, threads)
        for file in self._keepers.keys() - found - {project.file for project in self._projects}:
            keeper, _ = self._keepers.pop(file)
            keeper.stop()
            self._voice.say(f"{keeper.project.name} is no longer there, and no longer watched", keeper.project)
        self._discover_at_s = time.monotonic() + DISCOVER_S

    def _take_up(self, file: Path, threads: ThreadPoolExecutor) -> None:
        """Watch a project that was found; one that can't be watched is said once, and tried again."""
        try:
            keeper = self._keep(load_project(file), threads)
            keeper.begun.result()
            self._passed_over.pop(file, None)
        except (ConfigError, PlaceError) as error:
            self._keepers.pop(file, None)
            if self._passed_over.get(file) != str(error):
                self._passed_over[file] = str(error)
                self._voice.say(f"not watched: {error}", level="warning")

    @contextmanager
    def _listening(self) -> Iterator[None]:
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


def check_parents(parents: Sequence[Path]) -> None:
    """See that folders to discover projects in are there.

    Raises:
        PlaceGone: where one is not.
    """
    for parent in parents:
        if not parent.is_dir():
            raise PlaceGone(f"{shown(parent)}: expected a folder with projects below it, found none")
