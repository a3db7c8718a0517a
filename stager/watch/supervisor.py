"""Keeps one project watched, whatever happens to its folders and its project file.

A place that fails closes everything that was open there, the lock too, and all is opened anew after a pause: a disk
that was unplugged comes back as another one. An unexpected error is treated the same way, with its traceback in a file
and in the log. A project file that changes is taken up by opening anew, if it is sound.
"""

import time
import traceback
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from typing import Final

from stager.errors import ConfigError, PlaceError, StagerError, Stopped
from stager.model import Fingerprint
from stager.model.takes import TakeOutcome
from stager.plugins.projects import load_project
from stager.project import Project
from stager.staging.bus_offset import keep_offset, with_offset
from stager.staging.queue import OutcomeEvent
from stager.system.error_log import log_traceback
from stager.system.files import fingerprint_if_there
from stager.system.printable import shown
from stager.system.version import VERSION
from stager.watch.environment import ClockJumps, descriptor_limit, descriptors_are_used_up
from stager.watch.listeners import Listeners
from stager.watch.open_project import Callbacks, OpenProject, open_project
from stager.watch.project_watch import ProjectWatch
from stager.watch.resources import Resources
from stager.watch.set_watch import SetWatch
from stager.watch.status import HEARTBEAT_S, Doing, renew_status, write_status
from stager.watch.takes_watch import TakesWatch

TICK_S: Final = 0.1
"""How long to rest between two steps while stems or takes wait or are in work."""
PENDING_S: Final = 1.0
"""The same while only the examination of the set is to come."""
PAUSE_S: Final = 5.0
LONGEST_PAUSE_S: Final = 60.0
EDIT_REST_S: Final = 0.5
"""How long an edited project file must rest before it is read."""


class Supervisor:
    """One project under the daemon, stepped by the scheduler; attributes without an underscore may be read by others.

    `begun` is done after the first attempt to open it, with the error where a place failed: it is not watched then.
    """

    def __init__(
        self, project: Project, listeners: Listeners, resources: Resources, wake: Callable[["Supervisor"], None]
    ) -> None:
        self.project = with_offset(project)
        self.begun: Future[None] = Future()
        self.is_busy = True
        self.active_at_s = time.monotonic()
        self.trouble: PlaceError | None = None
        self.trouble_since_s = 0.0
        self._listeners, self._resources = listeners, resources
        self._callbacks = Callbacks(self._on_outcome, self._on_take, self._log, lambda: wake(self))
        self._open: OpenProject | None = None
        self._is_over = False
        self._pause_until_s, self._pause_s = 0.0, PAUSE_S
        self._progress = False
        self._clock_jumps = ClockJumps()
        self._file = fingerprint_if_there(project.file)
        self._edit: tuple[Fingerprint | None, float] = self._file, 0.0
        self._last_status = Doing("watching", queue=-1), -HEARTBEAT_S
        self._status_ns: int | None = None

    @property
    def delay_s(self) -> float | None:
        """How long until the next step is due; None where nothing is."""
        if self._edit[0] not in (None, self._file):
            return EDIT_REST_S
        if self.trouble is not None:
            most = PENDING_S if self._owes_status else PAUSE_S
            return min(most, max(TICK_S, self._pause_until_s - time.monotonic()))
        if self._open is None or self._open.stems.is_busy or (self._open.takes and self._open.takes.is_busy):
            return TICK_S
        return PENDING_S if self._open.set_watch.is_due or self._owes_status else None

    @property
    def polls(self) -> bool:
        """Whether a folder is listed again and again, for want of events."""
        return self._open is None or self._open.polls

    def begin(self, now_s: float) -> None:
        """Take the project's lock, and listen to its folders.

        Raises:
            PlaceError: where a place fails; nothing stays open then, and `begun` has the error too.
        """
        try:
            self._open = self._opened()
        except PlaceError as error:
            self._is_over = True
            self.begun.set_exception(error)
            raise
        except Stopped:
            self._is_over = True
        except Exception as error:  # noqa: BLE001 - a fault of ours in one project must not end the others
            self._pause(self._unexpected(error), now_s)
        else:
            self._listeners.log(f"watching {shown(self.project.inbox)} for {self.project.name}", self.project)
        self.begun.set_result(None)

    def step(self, now_s: float) -> None:
        """Do what is due; a place that fails, or an unexpected error, pauses this project, and it goes on by itself."""
        if not self.begun.done():
            with suppress(PlaceError):
                self.begin(now_s)
        if self._is_over:
            return
        slept = self._clock_jumps.happened()
        try:
            self._check_project_file(now_s)
            if now_s >= self._pause_until_s or slept:
                self._work(now_s, everything=slept)
        except PlaceError as error:
            self._pause(error, now_s)
        except Stopped:
            return  # the process is about to end, and `end` is called
        except Exception as error:  # noqa: BLE001 - a fault of ours in one project must not end the others
            self._pause(self._unexpected(error), now_s)
        self._write_status(now_s)

    def end(self) -> None:
        """Close the project for good."""
        self._is_over = True
        self._close()

    def _opened(self) -> OpenProject:
        return open_project(self.project, self._resources, self._callbacks, is_first=not self.begun.done())

    def _close(self) -> None:
        """Close all that is open; an unexpected error then has been logged, and the lock is free."""
        opened, self._open = self._open, None
        if opened:
            try:
                opened.close()
            except Stopped:
                pass
            except Exception as error:  # noqa: BLE001 - see `step`
                self._unexpected(error)

    def _on_outcome(self, event: OutcomeEvent) -> None:
        self._progress = True
        self._pass_on(lambda: self._listeners.on_outcome(self.project, event))

    def _on_take(self, take: TakeOutcome) -> None:
        self._progress = True
        self._pass_on(lambda: self._listeners.on_take(self.project, take))

    def _pass_on(self, tell: Callable[[], None]) -> None:
        """Pass on an outcome; an unexpected error meanwhile is logged, and takes no outcome away."""
        try:
            tell()
        except StagerError:
            raise
        except Exception as error:  # noqa: BLE001 - see `step`
            self._unexpected(error)

    def _log(self, says: str) -> None:
        self._listeners.log(says, self.project)

    def _work(self, now_s: float, *, everything: bool) -> None:
        if self._open and not self._open.is_same:  # removed, or another disk in its place
            self._close()
        self._progress = False
        self._open = self._open or self._opened()
        watches: list[ProjectWatch | TakesWatch] = [self._open.stems]
        watches += [self._open.takes] if self._open.takes else []
        for watch in watches:
            watch.step(now_s, everything=everything)
            self.active_at_s = max(self.active_at_s, watch.active_at_s)
        busy = any(watch.is_busy for watch in watches)
        self._open.set_watch.step(now_s, self.active_at_s, busy=busy)
        busy = self._apply_bus_offset(self._open.set_watch) or busy or self._open.set_watch.is_busy
        if self.trouble is not None and (self._progress or not busy):
            self._log(f"{self.project.name} goes on")
            self.trouble, self._pause_s = None, PAUSE_S
        self.is_busy = busy or self.trouble is not None

    def _apply_bus_offset(self, set_watch: SetWatch) -> bool:
        """Open anew where the mix bus asks for another offset, every stem is due then; return whether it does."""
        if set_watch.offset_db == self.project.bus_offset_db:
            return False
        self._log(f"the mix bus asks for {set_watch.offset_db:+g} dB on every stem: staging again with it")
        project = keep_offset(self.project, set_watch.offset_db)
        self._close()
        self.project = project
        return True

    def _pause(self, error: PlaceError, now_s: float) -> None:
        """Close the project and wait before the next attempt, longer each time; each trouble is logged once."""
        if descriptors_are_used_up():
            error = PlaceError(f"{self.project.name}: {descriptor_limit()}")
        if self.trouble is None or str(self.trouble) != str(error):
            self._listeners.log(f"{self.project.name} pauses: {error}", self.project, "warning")
        if self.trouble is None:
            self.trouble_since_s = now_s
        self._close()
        self.trouble, self.is_busy = error, True
        self._pause_until_s = now_s + self._pause_s
        self._pause_s = min(2.0 * self._pause_s, LONGEST_PAUSE_S)

    def _unexpected(self, error: Exception) -> PlaceError:
        """Log an unexpected error with its traceback, keep it in a file, and return it as what makes a pause."""
        found = "".join(traceback.format_exception(error))
        place = log_traceback(self.project.state, self.project.name, found, VERSION)
        says = f"an unexpected error, {type(error).__name__}: {error}; its traceback is in {shown(place)}"
        if self.trouble is None or str(self.trouble) != says:
            self._listeners.log(says, self.project, "warning", found)
        return PlaceError(says)

    def _check_project_file(self, now_s: float) -> None:
        """Take up a project file that was edited and has rested; a wrong one leaves the last good one in force."""
        found = fingerprint_if_there(self.project.file)
        if found != self._edit[0]:
            self._edit = found, now_s
        if found in (None, self._file) or now_s - self._edit[1] < EDIT_REST_S:
            return
        self._file = found
        try:
            project = with_offset(load_project(self.project.file))
        except ConfigError as error:
            says = f"project file not taken up, the last good one stays: {error}"
            self._listeners.log(says, self.project, "warning")
            return
        if project.settings == self.project.settings:
            return
        self._log(f"{shown(self.project.file.name)} was edited and is taken up")
        self._close()
        self.project, self._pause_until_s, self.is_busy, self.active_at_s = project, 0.0, True, now_s

    def _write_status(self, now_s: float) -> None:
        """Write what is being done where others can read it; that it can't be written stops nothing."""
        doing = self._doing()
        before, at_s = self._last_status
        is_new = doing != before
        is_urgent = doing.state != before.state and "paused" in (doing.state, before.state)
        if now_s - at_s >= HEARTBEAT_S or is_urgent or (now_s - at_s >= PENDING_S and is_new):
            self._last_status = doing, now_s
            renewed = None if is_new else renew_status(self.project, self._status_ns)
            with suppress(PlaceError):
                self._status_ns = renewed or write_status(self.project, doing)

    @property
    def _owes_status(self) -> bool:
        """Whether the status file says other than what is being done: a queue is told at most once a second."""
        return self._doing() != self._last_status[0]

    def _doing(self) -> Doing:
        if self.trouble is not None:
            return Doing("paused", says=str(self.trouble))
        if self._open is None or not self.is_busy:
            return Doing("watching")
        stems, takes = self._open.stems, self._open.takes
        queue = stems.queue + (takes.queue if takes else 0)
        return Doing("busy", queue, stems.waiting | (takes.waiting if takes else {}))
