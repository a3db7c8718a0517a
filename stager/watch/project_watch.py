"""Watches one project: finds what is due, waits until it has settled, puts it to work, tells what came of it."""

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Final

from stager.bench import Bench, News
from stager.containers import fingerprint_if_there
from stager.errors import ChangedStem, PlaceError, StillGrowingStem, UnreadableStem
from stager.holders import held_for_writing
from stager.inbox import is_stem, stems_in
from stager.model import Fingerprint, Refused
from stager.names import shown
from stager.outbox import Claims
from stager.report import gone_line, last_outcome_at, outcomes_of, tables_are_newer, write_tables
from stager.staging import Staging
from stager.watch.due import Due, Holders
from stager.watch.events import Events
from stager.watch.look import Look

NOT_YET: Final = (StillGrowingStem.code, ChangedStem.code)
"""Refusals that only say that it was too early; the stem is looked at again."""


@dataclass(frozen=True)
class _Bad:
    """A stem that was refused, and as what."""

    fingerprint: Fingerprint
    clash: str | None
    outcome: Refused

    @property
    def may_pass(self) -> bool:
        """Whether the fault may lie around the file, which then does not change when it is mended."""
        return self.outcome.refused == UnreadableStem.code


class ProjectWatch:
    """One project under its lock. `tell` hears of every outcome, `say` of everything else worth a line."""

    def __init__(
        self,
        staging: Staging,
        bench: Bench,
        events: Events | None,
        tell: Callable[[News], None],
        say: Callable[[str], None],
        holders: Holders = held_for_writing,
    ) -> None:
        self.project = staging.project
        self._staging, self._bench = staging, bench
        self._tell, self._say = tell, say
        self._due = Due(self.project.inbox, self.project.settings.project.settle_s, holders)
        self._refused: dict[str, _Bad] = {}
        self._at_work: dict[str, Fingerprint] = {}
        self._claims = Claims(self.project)
        song = self.project
        self._look = Look(events, lambda: stems_in(song), lambda name: is_stem(song, name), self._say_deaf)
        fresh = tables_are_newer(self.project, last_outcome_at(self.project))
        self._report_at_s: float | None = None if fresh else 0.0
        self._quiet_until_s = 0.0
        self.active_at_s = 0.0

    def step(self, now_s: float, *, everything: bool = False) -> None:
        """Do what is due now; with `everything`, look through the whole inbox first.

        Raises:
            PlaceError: where a folder or the disk fails.
            Stopped: where the process was told to stop.
        """
        self._staging.groups.look_again()
        self._look_around(now_s, everything=everything)
        for name, fingerprint in self._due.ripe(now_s, self._bench.free):
            self._at_work[name] = fingerprint
            self._bench.put(replace(self._staging.job(name), clash=self._claims.says(name)))
        if self.project.settings.links:
            self._bench.awaited = frozenset(map(shown, self._due.soon(now_s)))
        self._take(now_s)
        for says in self._due.unsaid(now_s):
            self._say(f"waiting for {says}")

    @property
    def is_busy(self) -> bool:
        """Whether a stem is waited for or at work."""
        return bool(self._due or self._at_work or len(self._bench))

    @property
    def queue(self) -> int:
        """How many stems wait or are at work."""
        return len(self._due) + max(len(self._at_work), len(self._bench))

    @property
    def waiting(self) -> dict[str, str]:
        """Why each stem that isn't at work waits, by name."""
        return self._due.reasons()

    def _look_around(self, now_s: float, *, everything: bool) -> None:
        """Look where something happened, and now and then through the whole inbox."""
        before = self._look.names
        glance = self._look.at(now_s, everything=everything)
        if glance.whole and self._look.names != before:
            self._claims = Claims(self.project, glance.names)
            self._refused = {name: bad for name, bad in self._refused.items() if name in self._look.names}
        for name in glance.names:
            self._claims.add(name)
            self._consider(name, now_s, again=glance.by_itself)
        self._due.hurry(glance.hinted)
        if glance.whole and not self.is_busy and (gone := self._staging.note_gone(self._look.names)):
            self._say(gone_line(gone))
            self.active_at_s = now_s
        self._look.done(glance, now_s)

    def _consider(self, name: str, now_s: float, *, again: bool = False) -> None:
        if name in self._due or name in self._at_work or self._bench.is_at(name):
            return
        if self._is_news(name, again=again):
            self._due.add(name, now_s)
            self.active_at_s = now_s

    def _is_news(self, name: str, *, again: bool) -> bool:
        fingerprint = fingerprint_if_there(self.project.inbox / name)
        if fingerprint is None:
            return False
        clash = self._claims.says(name)
        if bad := self._refused.get(name):
            return (bad.fingerprint, bad.clash) != (fingerprint, clash) or (again and bad.may_pass)
        return clash is not None or not self._staging.is_current(name, fingerprint)

    def _say_deaf(self) -> None:
        self._say(f"{self.project.name}: the system tells of no changes here; looking every second instead")

    def _take(self, now_s: float) -> None:
        if len(self._bench):
            for job, news in self._bench.take(0.0):
                self._note(job.relative, news, now_s)
                self.active_at_s = now_s
        if not self._at_work and self._report_at_s is not None and now_s >= self._report_at_s:
            self.report(now_s)

    def end(self) -> None:
        """Let go of what is at work, and write the tables if the outbox lets us."""
        self._bench.clear()
        if self._report_at_s is not None:
            with suppress(PlaceError):
                self.report(0.0)

    def report(self, now_s: float) -> None:
        """Write the tables; the next time not before that has become cheap beside what was done.

        Raises:
            PlaceError: where the outbox can't be written.
        """
        begun_s = time.perf_counter()
        write_tables(self.project, outcomes_of(self.project))
        self._report_at_s = None
        self._quiet_until_s = now_s + 20.0 * (time.perf_counter() - begun_s)

    def _note(self, name: str, news: News, now_s: float) -> None:
        fingerprint = self._at_work.pop(name, None)
        if isinstance(news.outcome, Refused) and news.outcome.refused in NOT_YET:
            self._due.add(name, now_s, news.outcome.says)
            return
        self._due.dealt_with(name)
        former = self._refused.pop(name, None)
        if isinstance(news.outcome, Refused):
            if fingerprint:
                self._refused[name] = _Bad(fingerprint, self._claims.says(name), news.outcome)
            if former and former.outcome == news.outcome:
                return
        if self._report_at_s is None:
            self._report_at_s = self._quiet_until_s
        self._tell(news)
