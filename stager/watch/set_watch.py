"""Keeps `.stager/check.json` fresh: once all stems are staged and rest, the set is examined again, beside all else."""

import json
import os
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from typing import Final

from stager.check import Wish, examine, state_of
from stager.errors import Stopped
from stager.files import read_whole, write_whole
from stager.inbox import stems_in
from stager.model.check import SetReport
from stager.pairs import Kept
from stager.project import Project
from stager.stopping import is_stopping

CHECK_NAME: Final = "check.json"
REST_S: Final = 2.0
"""How long nothing may have happened before the set is examined: an export writes many stems in a row."""
MOST_EXAMINED: Final = 3_000
"""Stems up to which the set is examined by itself (own figure: each takes 30 kB meanwhile, so many some 280 MB)."""
KINDER: Final = 10
"""By how much the examining gives way to everything else (nice(2))."""
_KEPT: Final = Kept()
"""What was told of the files of all projects of this process: it outlives a project that is opened anew."""


class SetWatch:
    """The set of one project; a thread of its own examines it."""

    def __init__(self, project: Project, say: Callable[[str], None] = lambda _says: None) -> None:
        self._project, self._say = project, say
        self._threads = ThreadPoolExecutor(1, thread_name_prefix="set", initializer=_give_way)
        self._work: Future[SetReport] | None = None
        self._examined_at_s: float | None = None
        self._is_due = True
        self._offset_db = project.bus_offset_db

    @property
    def offset_db(self) -> float:
        """What the mix bus asks of every trim, by the last look; where nobody wants it applied, what it is."""
        return self._offset_db

    @property
    def is_busy(self) -> bool:
        """Whether the set is being examined, or is about to be and the trims depend on it."""
        return self._work is not None or (self._is_due and self._project.settings.bus.apply)

    def step(self, now_s: float, active_at_s: float, *, busy: bool) -> None:
        """Begin to examine where it is time, and write what was found; `active_at_s` is when a stem last changed.

        Raises:
            PlaceError: where the project's own folder or the inbox fails.
            Stopped: where the process was told to stop.
        """
        if self._work and self._work.done():
            work, self._work = self._work, None
            self._write(work)
        self._is_due = self._examined_at_s is None or active_at_s > self._examined_at_s
        if self._work is None and self._is_due and not busy and now_s - active_at_s >= REST_S:
            self._examined_at_s, self._is_due = now_s, False
            if len(stems_in(self._project)) > MOST_EXAMINED:
                self._say(f"the set has more than {MOST_EXAMINED} stems, and is examined by `stager check` alone")
            elif not self._is_fresh():
                self._work = self._threads.submit(examine, self._project, Wish(kept=_KEPT))

    def end(self) -> None:
        """Let go of what is at work; it only reads, so nobody need wait for it but where all ends at its next block."""
        self._threads.shutdown(wait=self._work is None or is_stopping(), cancel_futures=True)

    def _is_fresh(self) -> bool:
        """Whether an earlier run examined the very same stems under the same settings."""
        with suppress(ValueError):
            found = json.loads(read_whole(self._project.state / CHECK_NAME) or b"{}")
            if isinstance(found, dict) and found.get("of") == state_of(self._project):
                self._offset_db = found.get("offset_db") or 0.0
                return True
        return False

    def _write(self, work: Future[SetReport]) -> None:
        """Write what was found; that a set can't be examined stops no staging, and is said."""
        error = work.exception()
        if isinstance(error, Stopped):
            raise error
        if error is not None:
            self._say(f"the set could not be examined, staging goes on: {error or type(error).__name__}")
        else:
            found = work.result()
            if found.offset_db is not None:
                self._offset_db = found.offset_db
            document = found.to_data(with_overview=True)
            write_whole(self._project.state / CHECK_NAME, (json.dumps(document, indent=1) + "\n").encode())


def _give_way() -> None:
    if sys.platform == "linux":
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), KINDER)
