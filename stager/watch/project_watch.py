"""Watches one project: finds new stems, waits until they are at rest, submits them, passes on their outcomes."""

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Final

from stager.errors import (
    ChangedStem,
    InternalError,
    PlaceError,
    StillGrowingStem,
    UnreadableStem,
    internal_errors,
)
from stager.model import Fingerprint, Refused, StemName
from stager.project.inbox import Listing, is_stem, list_stems
from stager.report import gone_line, last_outcome_at, outcomes_of, tables_are_newer, write_tables
from stager.staging.outbox import Claims
from stager.staging.publish import Staging
from stager.staging.queue import OutcomeEvent, StemQueue, refusal_event
from stager.staging.stem import StemJob
from stager.system.error_log import log_traceback
from stager.system.files import fingerprint_if_there
from stager.system.open_files import held_for_writing
from stager.system.printable import shown
from stager.system.version import VERSION
from stager.watch.due import Due, Holders
from stager.watch.events import Events
from stager.watch.scan import Scan

NOT_YET: Final = (StillGrowingStem.code, ChangedStem.code)
"""Refusals that only mean that it was too early; the stem is read again."""


@dataclass(frozen=True)
class _RefusedStem:
    """A refused stem: what the file was then, and the refusal."""

    fingerprint: Fingerprint
    clash: str | None
    outcome: Refused

    @property
    def may_pass(self) -> bool:
        """Whether the cause may lie outside the file, which then does not change when the cause is removed."""
        return self.outcome.refused == UnreadableStem.code


class ProjectWatch:
    """One project under its lock. `on_outcome` receives every outcome, `log` every other line."""

    def __init__(
        self,
        staging: Staging,
        queue: StemQueue,
        events: Events | None,
        on_outcome: Callable[[OutcomeEvent], None],
        log: Callable[[str], None],
        holders: Holders = held_for_writing,
    ) -> None:
        self.project = staging.project
        self._staging, self._queue = staging, queue
        self._on_outcome, self._log = on_outcome, log
        self._due = Due(self.project.inbox, self.project.settings.project.settle_s, holders)
        self._refused: dict[str, _RefusedStem] = {}
        self._running: dict[str, Fingerprint] = {}
        self._claims = Claims(self.project)
        song = self.project
        self._scan = Scan(events, self._listed, lambda name: is_stem(song, name), self._log_no_events)
        fresh = tables_are_newer(self.project, last_outcome_at(self.project))
        self._listing = Listing()
        self._displaced: set[str | None] = set()
        self._report_at_s: float | None = None if fresh else 0.0
        self._quiet_until_s = 0.0
        self.active_at_s = 0.0

    def step(self, now_s: float, *, everything: bool = False) -> None:
        """Do what is due now; with `everything`, list the whole inbox first.

        Raises:
            PlaceError: where a folder or the disk fails.
            Stopped: where the process was told to stop.
        """
        self._staging.links.look_again()
        self._check_inbox(now_s, everything=everything)
        for name, fingerprint in self._due.take_ready(now_s, self._queue.free):
            self._running[name] = fingerprint
            self._submit(name, now_s)
        if self.project.settings.links:
            self._queue.awaited = frozenset(map(shown, self._due.recent(now_s)))
        self._take(now_s)
        for says in self._due.overdue(now_s):
            self._log(f"waiting for {says}")

    def _submit(self, name: str, now_s: float) -> None:
        try:
            with internal_errors(shown(name)):
                self._queue.submit(replace(self._staging.job(name), clash=self._claims.says(name)))
        except InternalError as error:
            self._note(name, refusal_event(self._staging, StemJob(self.project, StemName(name)), error), now_s)

    @property
    def is_busy(self) -> bool:
        """Whether a stem waits or is being worked on."""
        return bool(self._due or self._running or len(self._queue))

    @property
    def polls(self) -> bool:
        """Whether the inbox is listed again and again, for want of events."""
        return self._scan.polls

    @property
    def queue(self) -> int:
        """The number of stems that wait or are being worked on."""
        return len(self._due) + max(len(self._running), len(self._queue))

    @property
    def waiting(self) -> dict[str, str]:
        """Why each stem that isn't being worked on waits, by name."""
        return self._due.reasons()

    def _check_inbox(self, now_s: float, *, everything: bool) -> None:
        """Check what the system reported, and from time to time the whole inbox."""
        before = self._scan.names
        scanned = self._scan.at(now_s, everything=everything)
        if scanned.whole and self._scan.names != before:
            self._claims = Claims(self.project, scanned.names)
            self._refused = {name: refusal for name, refusal in self._refused.items() if name in self._scan.names}
        for name in scanned.names:
            self._claims.add(name)
            self._consider(name, now_s, again=scanned.by_itself)
        self._due.check_soon(scanned.hinted)
        if scanned.whole and not self.is_busy and (gone := self._staging.note_gone(self._listing.may_hold())):
            self._log(gone_line(gone))
            self.active_at_s = now_s
        self._scan.done(scanned, now_s)

    def _listed(self) -> tuple[str, ...]:
        """List the inbox, and log each folder that is skipped, once."""
        known = set(self._listing.skipped)
        self._listing = list_stems(self.project)
        for folder in self._listing.skipped:
            if folder not in known:
                self._log(folder.says)
        return self._listing.names

    def _consider(self, name: str, now_s: float, *, again: bool = False) -> None:
        if name in self._due or name in self._running or self._queue.holds(name):
            return
        if self._is_new(name, again=again):
            self._due.add(name, now_s)
            self.active_at_s = now_s

    def _is_new(self, name: str, *, again: bool) -> bool:
        fingerprint = fingerprint_if_there(self.project.inbox / name)
        if fingerprint is None:
            return False
        clash = self._claims.says(name)
        if refusal := self._refused.get(name):
            return (refusal.fingerprint, refusal.clash) != (fingerprint, clash) or (again and refusal.may_pass)
        with suppress(InternalError), internal_errors(shown(name)):  # met again, and reported, as the stem is staged
            return clash is not None or not self._staging.is_current(name, fingerprint)
        return True

    def _log_no_events(self) -> None:
        self._log(f"{self.project.name}: the system tells of no changes here; looking every second instead")

    def _take(self, now_s: float) -> None:
        if len(self._queue):
            for job, event in self._queue.collect(0.0):
                self._note(job.name.relative, event, now_s)
                self.active_at_s = now_s
        if not self._running and self._report_at_s is not None and now_s >= self._report_at_s:
            self.report(now_s)

    def end(self) -> None:
        """Cancel what is being worked on, and write the tables if the outbox can be written."""
        self._queue.clear()
        if self._report_at_s is not None:
            with suppress(PlaceError):
                self.report(0.0)

    def report(self, now_s: float) -> None:
        """Write the tables; the next time only after 20 times as long as it took: a large set isn't slowed down.

        Raises:
            PlaceError: where the outbox can't be written.
        """
        begun_s = time.perf_counter()
        try:
            with internal_errors("the tables"):
                tables = write_tables(self.project, outcomes_of(self.project))
        except InternalError as error:
            place = log_traceback(self.project.state, "tables", error.traceback, VERSION)
            self._log(f"{error}; its traceback is in {shown(place)}")
        else:
            for says in filter(None, (table.says for table in tables)):
                if says not in self._displaced:
                    self._log(says)
            self._displaced = {table.says for table in tables}
        self._report_at_s = None
        self._quiet_until_s = now_s + 20.0 * (time.perf_counter() - begun_s)

    def _note(self, name: str, event: OutcomeEvent, now_s: float) -> None:
        fingerprint = self._running.pop(name, None)
        if isinstance(event.outcome, Refused) and event.outcome.refused in NOT_YET:
            self._due.add(name, now_s, f"{event.outcome.stem}: {event.outcome.says}")
            return
        self._due.settled(name)
        former = self._refused.pop(name, None)
        if isinstance(event.outcome, Refused):
            if fingerprint:
                self._refused[name] = _RefusedStem(fingerprint, self._claims.says(name), event.outcome)
            if former and former.outcome == event.outcome:
                return
        if self._report_at_s is None:
            self._report_at_s = self._quiet_until_s
        self._on_outcome(event)
