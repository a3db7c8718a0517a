"""Keeps `.stager/check.json` fresh: once all stems are at rest, the set is examined, in the background."""

import json
from collections.abc import Callable
from concurrent.futures import Executor, Future, wait
from contextlib import suppress
from traceback import format_exception
from typing import Final

from stager.errors import StagerError, Stopped
from stager.model.check import SetReport
from stager.project import Project
from stager.project.inbox import stems_in
from stager.songset import CheckOptions, examine, state_of
from stager.songset.pairs import ComparisonCache
from stager.system.cancel import is_stopping
from stager.system.error_log import log_traceback
from stager.system.files import read_whole, write_whole
from stager.system.printable import shown
from stager.system.version import VERSION

CHECK_NAME: Final = "check.json"
REST_S: Final = 2.0
"""How long nothing may have happened before the set is examined: an export writes many stems in a row."""
MOST_EXAMINED: Final = 3_000
"""Stems up to which the set is examined by itself (empirical: each takes 30 kB meanwhile, this number some 280 MB)."""
_COMPARISONS: Final = ComparisonCache()
"""Process-wide cache of comparisons, shared by all projects; it survives the reopening of a project."""


class SetWatch:
    """The set of one project; the examination runs on an executor that all projects share."""

    def __init__(
        self,
        project: Project,
        executor: Executor,
        log: Callable[[str], None] = lambda _says: None,
        wake: Callable[[], None] = lambda: None,
    ) -> None:
        self._project, self._executor, self._log, self._wake = project, executor, log, wake
        self._work: Future[SetReport] | None = None
        self._examined_at_s: float | None = None
        self._is_due = True
        self._offset_db = project.bus_offset_db

    @property
    def offset_db(self) -> float:
        """The offset that the mix bus asks of every trim, by the last examination; unchanged if not applied."""
        return self._offset_db

    @property
    def is_due(self) -> bool:
        """Whether the set is to be examined once all is at rest."""
        return self._is_due

    @property
    def is_busy(self) -> bool:
        """Whether the set is being examined, or is about to be and the trims depend on it."""
        return self._work is not None or (self._is_due and self._project.settings.bus.apply)

    def step(self, now_s: float, active_at_s: float, *, busy: bool) -> None:
        """Start an examination if one is due, write what the last one found; `active_at_s`: the last change of a stem.

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
                self._log(f"the set has more than {MOST_EXAMINED} stems, and is examined by `stager check` alone")
            elif not self._is_fresh():
                self._work = self._executor.submit(examine, self._project, CheckOptions(cache=_COMPARISONS))
                self._work.add_done_callback(lambda _: self._wake())

    def end(self) -> None:
        """Cancel the examination; it only reads, so it is waited for only where the process ends at its next block."""
        if self._work and not self._work.cancel() and is_stopping():
            wait([self._work])

    def _is_fresh(self) -> bool:
        """Whether an earlier run examined the very same stems under the same settings."""
        with suppress(ValueError):
            found = json.loads(read_whole(self._project.state / CHECK_NAME) or b"{}")
            if isinstance(found, dict) and found.get("of") == state_of(self._project):
                self._offset_db = found.get("offset_db") or 0.0
                return True
        return False

    def _kept(self, error: BaseException) -> str:
        """Return what is said of an error; the traceback of an unexpected one is in the file of errors."""
        if isinstance(error, StagerError):
            return str(error)
        found = "".join(format_exception(error))
        place = log_traceback(self._project.state, self._project.name, found, VERSION)
        return f"an unexpected error, {type(error).__name__}: {error}; its traceback is in {shown(place)}"

    def _write(self, work: Future[SetReport]) -> None:
        """Write what was found; a set that can't be examined stops no staging, and is logged."""
        error = work.exception()
        if isinstance(error, Stopped):
            raise error
        if error is not None:
            self._log(f"the set could not be examined, staging goes on: {self._kept(error)}")
        else:
            found = work.result()
            if found.offset_db is not None:
                self._offset_db = found.offset_db
            document = found.to_data(with_overview=True)
            write_whole(self._project.state / CHECK_NAME, (json.dumps(document, indent=1) + "\n").encode())
