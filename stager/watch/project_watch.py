"""Watches one project: finds what is due, waits until it has settled, puts it to work, tells what came of it."""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Final

from stager.batch import Bench, News
from stager.containers import fingerprint_of
from stager.errors import ChangedStem, PlaceError, StemError, StillGrowingStem
from stager.inbox import stems_in
from stager.model import Fingerprint, Refused
from stager.outbox import clashes
from stager.report import collect, write_tables
from stager.staging import Staging
from stager.watch.events import Events
from stager.watch.settle import Settling

RESCAN_S: Final = 10.0
POLL_S: Final = 1.0
PAUSE_S: Final = 5.0
NOT_YET: Final = (StillGrowingStem.code, ChangedStem.code)
"""Refusals that only say that it was too early; the stem is looked at again."""


class ProjectWatch:
    """One project under the daemon. `tell` hears of every outcome, `say` of everything else worth a line."""

    def __init__(
        self,
        staging: Staging,
        bench: Bench,
        events: Events | None,
        tell: Callable[[News], None],
        say: Callable[[str], None],
    ) -> None:
        self.project = staging.project
        self._staging, self._bench, self._events = staging, bench, events
        self._tell, self._say = tell, say
        self._settling = Settling(self.project.settings.project.settle_s)
        self._due: set[str] = set()
        self._dealt_with: dict[str, tuple[Fingerprint, str | None]] = {}
        self._at_work: dict[str, Fingerprint] = {}
        self._said_waiting: set[str] = set()
        self._clashes: dict[str, str] = {}
        self._scan_at_s = self._pause_until_s = 0.0
        self._reported = False
        self.trouble: PlaceError | None = None
        self.trouble_since_s = 0.0
        self.active_at_s = 0.0

    def step(self, now_s: float) -> None:
        """Do what is due now; a place that fails pauses this project, and it goes on by itself."""
        if now_s < self._pause_until_s:
            return
        try:
            self._scan(now_s)
            self._put_to_work(now_s)
            self._take(now_s)
            if self.trouble is not None:
                self._say(f"{self.project.name} goes on")
            self.trouble = None
        except PlaceError as error:
            self._say(f"{self.project.name} pauses: {error}")
            self._bench.clear()
            self._at_work.clear()
            if self.trouble is None:
                self.trouble_since_s = now_s
            self._pause_until_s, self._scan_at_s, self.trouble = now_s + PAUSE_S, 0.0, error

    @property
    def is_busy(self) -> bool:
        """Whether a stem is waited for or at work, or the project pauses."""
        return self.trouble is not None or bool(self._due or self._at_work)

    def _scan(self, now_s: float) -> None:
        """Look through the inbox where something happened, and now and then in any case."""
        listens = self._events is not None and self._events.works
        happened = self._events.happened() if self._events and listens else False
        if not happened and now_s < self._scan_at_s:
            return
        names = stems_in(self.project)
        self._scan_at_s = now_s + (RESCAN_S if listens else POLL_S)
        self._clashes = clashes(self.project, names)
        for name in names:
            if name not in self._due and name not in self._at_work and self._is_news(name):
                self._due.add(name)
                self.active_at_s = now_s

    def _is_news(self, name: str) -> bool:
        try:
            fingerprint = fingerprint_of(self.project.inbox / name)
        except StemError:
            return False
        state = fingerprint, self._clashes.get(name)
        if self._dealt_with.get(name) == state:
            return False
        if self._staging.current(name, fingerprint):
            self._dealt_with[name] = state
            return False
        return True

    def _put_to_work(self, now_s: float) -> None:
        for name in sorted(self._due):
            if not self._bench.has_room():
                return
            try:
                fingerprint = fingerprint_of(self.project.inbox / name)
            except StemError:
                self._due.discard(name)
                self._settling.forget(name)
                continue
            if self._settling.is_ready(name, fingerprint, now_s):
                self._due.discard(name)
                self._settling.forget(name)
                self._at_work[name] = fingerprint
                self._bench.put(replace(self._staging.job(name), clash=self._clashes.get(name)))

    def _take(self, now_s: float) -> None:
        if len(self._bench):
            for job, news in self._bench.take(0.0):
                self._note(job.relative, news)
                self.active_at_s = now_s
        if not self._at_work:
            self.report()

    def end(self) -> None:
        """Let go of what is at work, and write the tables if the outbox lets us."""
        self._bench.clear()
        with suppress(PlaceError):
            self.report()

    def report(self) -> None:
        """Write the tables, where anything came of a stem since they were written.

        Raises:
            PlaceError: where the outbox can't be written.
        """
        if not self._reported:
            write_tables(self.project, collect(self.project))
            self._reported = True

    def _note(self, name: str, news: News) -> None:
        fingerprint = self._at_work.pop(name)
        if isinstance(news.outcome, Refused) and news.outcome.refused in NOT_YET:
            self._due.add(name)
            if name not in self._said_waiting:
                self._said_waiting.add(name)
                self._say(f"waiting for {news.outcome.says}")
            return
        self._said_waiting.discard(name)
        self._dealt_with[name] = fingerprint, self._clashes.get(name)
        self._reported = False
        self._tell(news)
