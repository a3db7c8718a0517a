"""Keeps one project watched, in a thread of its own, whatever happens to its folders and its project file.

A place that fails closes everything that was open there, the lock too, and all is opened anew after a pause: a disk
that was unplugged comes back as another one. A project file that changes is taken up the same way, if it is sound.
"""

import os
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import Final

from stager.bench import Bench, News
from stager.errors import ConfigError, PlaceError, PlaceGone, Stopped
from stager.files import fingerprint, folder_identity, is_folder
from stager.model import Fingerprint
from stager.model.take import TakeOutcome
from stager.names import shown
from stager.offset import keep_offset, with_offset
from stager.project import Project
from stager.staging import LEDGER, LOCK, Staging, staging
from stager.steps.projects import load_project
from stager.watch.events import Events
from stager.watch.project_watch import ProjectWatch
from stager.watch.set_watch import SetWatch
from stager.watch.status import HEARTBEAT_S, Doing, write_status
from stager.watch.surroundings import Wakes, is_silent_place
from stager.watch.takes_watch import TakesWatch
from stager.watch.voice import Voice

TICK_S: Final = 0.1
CALM_S: Final = 1.0
"""How long to sleep between looks while stems wait or are at work, and when all is calm and nobody wakes us."""
ROOM: Final = 4
"""Stems at work for each core: those that are ready wait for the disk together."""
PAUSE_S: Final = 5.0
LONGEST_PAUSE_S: Final = 60.0
EDIT_REST_S: Final = 0.5
"""How long an edited project file must rest before it is read."""


@dataclass
class _Open:
    """Everything that is open while a project is watched."""

    stack: ExitStack
    watch: ProjectWatch
    takes: TakesWatch | None
    whole: SetWatch
    folders: tuple[tuple[int, int] | None, ...]


class Keeper:
    """One project under the daemon. Attributes without an underscore may be read by other threads."""

    def __init__(self, project: Project, voice: Voice, *, poll: bool) -> None:
        self.project = with_offset(project)
        self.begun: Future[None] = Future()
        self.is_busy = True
        self.active_at_s = time.monotonic()
        self.trouble: PlaceError | None = None
        self.trouble_since_s = 0.0
        self._voice, self._poll = voice, poll
        self._stop, self._wake = Event(), Event()
        self._open: _Open | None = None
        self._pause_until_s, self._pause_s = 0.0, PAUSE_S
        self._progress = False
        self._wakes = Wakes()
        self._file = _look_at(project)
        self._edit: tuple[Fingerprint | None, float] = self._file, 0.0
        self._told = Doing("watching", queue=-1), -HEARTBEAT_S

    def stop(self) -> None:
        """Let the thread end soon; may be called from any thread, and from a signal."""
        self._stop.set()
        self._wake.set()

    def run(self) -> None:
        """Watch until stopped; `begun` has the error where the first opening fails, and the watch ends there."""
        try:
            self.begin()
        except BaseException as error:
            self.begun.set_exception(error)
            raise
        self.begun.set_result(None)
        with suppress(Stopped), self._ending():
            while not self._stop.is_set():
                self._wake.wait(TICK_S if self.is_busy and self._open else CALM_S)
                self._wake.clear()
                self.step(time.monotonic())

    @contextmanager
    def _ending(self) -> Iterator[None]:
        try:
            yield
        finally:
            self.end()

    def begin(self) -> None:
        """Take the project's lock, and begin to listen.

        Raises:
            PlaceError: where a place fails; nothing stays open then.
        """
        self._open = self._opened()
        self._voice.say(f"watching {shown(self.project.inbox)} for {self.project.name}", self.project)

    def _opened(self) -> _Open:
        """Take the lock and begin to listen.

        Raises:
            PlaceError: where a place fails; nothing stays open then.
        """
        if not self.project.file.exists():
            raise PlaceGone(f"{shown(self.project.file)}: expected the project file, found none; was the song moved?")
        with ExitStack() as stack:
            held = stack.enter_context(staging(self.project))
            executor = stack.enter_context(ThreadPoolExecutor(os.cpu_count(), thread_name_prefix="stem"))
            bench = Bench(held, executor, room=ROOM * (os.cpu_count() or 1), ready=self._wake.set)
            watch = ProjectWatch(held, bench, self._events(self.project.inbox, stack), self._tell_news, self._say)
            stack.callback(watch.end)
            whole = SetWatch(self.project, self._say)
            stack.callback(whole.end)
            takes = self._takes(held, stack)
            return _Open(stack.pop_all(), watch, takes, whole, self._folders())

    def _takes(self, held: Staging, stack: ExitStack) -> TakesWatch | None:
        """Watch the folder of takes, where the project has one; a thread of its own judges them, so none waits."""
        folder = self.project.takes
        if folder is None:
            return None
        if not is_folder(folder):
            says = f"{shown(folder)}: expected the folder of takes of {self.project.name}, found none"
            if not self.begun.done():
                raise PlaceGone(says)
            self._say(f"{says}; stems are staged, and takes are judged again when it is back")
            return None
        executor = stack.enter_context(ThreadPoolExecutor(1, thread_name_prefix="take"))
        events = self._events(folder, stack)
        takes = TakesWatch(self.project, held.ledger, executor, events, self._tell_take, self._say)
        stack.callback(takes.end)
        return takes

    def _folders(self) -> tuple[tuple[int, int] | None, ...]:
        """Which folders and files lie under the names that are watched, and under those of our own."""
        song, ours = self.project, self.project.state
        places = (song.inbox, song.outbox, song.takes, song.folder, ours, ours / LEDGER, ours / LOCK)
        return tuple(folder_identity(place) for place in places if place)

    def _events(self, folder: Path, stack: ExitStack) -> Events | None:
        if self._poll:
            return None
        events = None if is_silent_place(folder) else Events(folder, self._wake.set)
        if events and events.works:
            stack.callback(events.close)
            return events
        self._say(f"the system tells of no changes in {shown(folder)}; looking every second instead")
        return None

    def _tell_news(self, news: News) -> None:
        self._progress = True
        self._voice.tell(self.project, news)

    def _tell_take(self, take: TakeOutcome) -> None:
        self._progress = True
        self._voice.tell_take(self.project, take)

    def _say(self, says: str) -> None:
        self._voice.say(says, self.project)

    def step(self, now_s: float) -> None:
        """Do what is due; a place that fails pauses this project, and it goes on by itself.

        Raises:
            Stopped: where the process was told to stop.
        """
        slept = self._wakes.happened()
        self._mind_edits(now_s)
        if now_s < self._pause_until_s and not slept:
            self._leave_sign(now_s)
            return
        try:
            self._work(now_s, everything=slept)
        except PlaceError as error:
            self._pause(error, now_s)
        self._leave_sign(now_s)

    def _work(self, now_s: float, *, everything: bool) -> None:
        if self._open and self._folders() != self._open.folders:  # removed, or another disk in its place
            self.end()
        self._progress = False
        self._open = self._open or self._opened()
        watches: list[ProjectWatch | TakesWatch] = [self._open.watch]
        watches += [self._open.takes] if self._open.takes else []
        for watch in watches:
            watch.step(now_s, everything=everything)
            self.active_at_s = max(self.active_at_s, watch.active_at_s)
        busy = any(watch.is_busy for watch in watches)
        self._open.whole.step(now_s, self.active_at_s, busy=busy)
        busy = self._mind_bus(self._open.whole) or busy or self._open.whole.is_busy
        if self.trouble is not None and (self._progress or not busy):
            self._say(f"{self.project.name} goes on")
            self.trouble, self._pause_s = None, PAUSE_S
        self.is_busy = busy or self.trouble is not None

    def _mind_bus(self, whole: SetWatch) -> bool:
        """Where the mix bus asks for another offset, begin anew with it: every stem is due then."""
        if whole.offset_db == self.project.bus_offset_db:
            return False
        self._say(f"the mix bus asks for {whole.offset_db:+g} dB on every stem: staging again with it")
        project = keep_offset(self.project, whole.offset_db)
        self.end()
        self.project = project
        return True

    def _pause(self, error: PlaceError, now_s: float) -> None:
        if self.trouble is None or str(self.trouble) != str(error):
            self._voice.say(f"{self.project.name} pauses: {error}", self.project, "warning")
        if self.trouble is None:
            self.trouble_since_s = now_s
        self.end()
        self.trouble, self.is_busy = error, True
        self._pause_until_s = now_s + self._pause_s
        self._pause_s = min(2.0 * self._pause_s, LONGEST_PAUSE_S)

    def end(self) -> None:
        """Close all that is open; what was published until then stays."""
        opened, self._open = self._open, None
        if opened:
            opened.stack.close()

    def _mind_edits(self, now_s: float) -> None:
        """Take up a project file that was edited and has rested; a wrong one leaves the last good one in force."""
        found = _look_at(self.project)
        if found != self._edit[0]:
            self._edit = found, now_s
        if found in (None, self._file) or now_s - self._edit[1] < EDIT_REST_S:
            return
        self._file = found
        try:
            project = with_offset(load_project(self.project.file))
        except ConfigError as error:
            self._voice.say(f"project file not taken up, the last good one stays: {error}", self.project, "warning")
            return
        if project.settings == self.project.settings:
            return
        self._say(f"{shown(self.project.file.name)} was edited and is taken up")
        self.end()
        self.project, self._pause_until_s, self.is_busy, self.active_at_s = project, 0.0, True, now_s

    def _leave_sign(self, now_s: float) -> None:
        """Write what is being done where others can read it; that it can't be written stops nothing."""
        doing = self._doing()
        before, at_s = self._told
        if now_s - at_s >= HEARTBEAT_S or (now_s - at_s >= CALM_S and doing != before):
            self._told = doing, now_s
            with suppress(PlaceError):
                if is_folder(self.project.state):
                    write_status(self.project, doing)

    def _doing(self) -> Doing:
        if self.trouble is not None:
            return Doing("paused", says=str(self.trouble))
        if self._open is None or not self.is_busy:
            return Doing("watching")
        watch, takes = self._open.watch, self._open.takes
        queue = watch.queue + (takes.queue if takes else 0)
        return Doing("busy", queue, watch.waiting | (takes.waiting if takes else {}))


def _look_at(project: Project) -> Fingerprint | None:
    """What the system says of the project file now; None while it is not there, as between two steps of an editor."""
    try:
        return fingerprint(project.file.stat())
    except OSError:
        return None
