"""Runs the watch of one or more projects until it is told to stop, or until nothing is left to do."""

import os
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from types import FrameType
from typing import Final

from stager.batch import Bench, News
from stager.errors import Stopped
from stager.names import on_screen
from stager.project import Project
from stager.staging import staging
from stager.stopping import allow_work, request_stop
from stager.watch.events import Events
from stager.watch.project_watch import PAUSE_S, ProjectWatch

TICK_S: Final = 0.1


@dataclass(frozen=True)
class Voice:
    """Who hears what: `tell` every outcome, with its project; `say` every other line."""

    tell: Callable[[Project, News], None]
    say: Callable[[str], None]


class Daemon:
    """Watches projects; `run` returns when it is over, with the number of the signal that ended it, or None."""

    def __init__(self, projects: Sequence[Project], voice: Voice, *, poll: bool, until_idle_s: float | None) -> None:
        self._projects, self._voice = projects, voice
        self._poll, self._until_idle_s = poll, until_idle_s
        self._signal: int | None = None

    def run(self) -> int | None:
        """Watch until SIGINT or SIGTERM, or until nothing happened for `until_idle_s`.

        Raises:
            AlreadyWatched: where another process watches one of the projects; nothing was begun.
            PlaceError: where a folder is missing at the start.
        """
        with self._listening(), ExitStack() as stack:
            executor = stack.enter_context(ThreadPoolExecutor(os.cpu_count(), thread_name_prefix="stem"))
            watches = [self._watch(project, executor, stack) for project in self._projects]
            for watch in watches:
                self._voice.say(f"watching {on_screen(str(watch.project.inbox))} for {watch.project.name}")
            self._loop(watches)
            for watch in watches:
                watch.end()
        return self._signal

    def _watch(self, project: Project, executor: ThreadPoolExecutor, stack: ExitStack) -> ProjectWatch:
        held = stack.enter_context(staging(project))
        bench = Bench(held, executor, room=2 * (os.cpu_count() or 1))
        stack.callback(bench.clear)
        events = None if self._poll else Events(project.inbox)
        if events:
            stack.callback(events.close)
            if not events.works:
                self._voice.say(f"{project.name}: the system tells of no changes here; looking every second instead")
        return ProjectWatch(held, bench, events, lambda news: self._voice.tell(project, news), self._voice.say)

    def _loop(self, watches: Sequence[ProjectWatch]) -> None:
        begun_s = time.monotonic()
        while self._signal is None:
            now_s = time.monotonic()
            try:
                for watch in watches:
                    watch.step(now_s)
            except Stopped:
                return
            quiet_since_s = max(begun_s, *(watch.active_at_s for watch in watches))
            idle = not any(watch.is_busy for watch in watches)
            if self._until_idle_s is not None and idle and now_s - quiet_since_s >= self._until_idle_s:
                return
            self._give_up(watches, now_s)
            time.sleep(TICK_S)

    def _give_up(self, watches: Sequence[ProjectWatch], now_s: float) -> None:
        """A watch that is to end by itself does not wait for ever for a place that fails.

        Raises:
            PlaceError: what has kept a project from working for longer than the idle time and one more try.
        """
        for watch in watches:
            patience_s = (self._until_idle_s or 0.0) + PAUSE_S + 1.0
            if self._until_idle_s is not None and watch.trouble and now_s - watch.trouble_since_s > patience_s:
                raise watch.trouble

    @contextmanager
    def _listening(self) -> Iterator[None]:
        allow_work()
        former = {number: signal.signal(number, self._stop) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for number, handler in former.items():
                signal.signal(number, handler)
            allow_work()

    def _stop(self, number: int, _frame: FrameType | None) -> None:
        self._signal = number
        request_stop()
