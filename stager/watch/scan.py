"""Selects the files of a folder to check now: those that the system reports at once, all of them from time to time."""

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from stager.watch.events import Events, Hints

RESCAN_S: Final = 120.0
"""How often the whole folder is listed although the system reports changes."""
POLL_S: Final = 1.0
IDLE_SHARE: Final = 0.005
"""The share of a core that listing a folder may take: a listing that took long is repeated less often."""
REPORT_DELAY_S: Final = 5.0
"""How long the system may take to report a file that a listing found first."""


@dataclass(frozen=True)
class ScanTurn:
    """What to check: `names` in order; `whole` where that is all there is, `by_itself` where no event asked for it."""

    names: tuple[str, ...]
    hinted: frozenset[str] = frozenset()
    whole: bool = False
    by_itself: bool = False


class Scan:
    """The scans of one folder. `listing` returns every name that counts, `counts` whether one does.

    Where a listing finds new files that the system never reported, `no_events` is called, and from then on the
    folder is listed every second. Times are of a clock that never runs back.
    """

    def __init__(
        self,
        events: Events | None,
        listing: Callable[[], Iterable[str]],
        counts: Callable[[str], bool],
        no_events: Callable[[], None],
    ) -> None:
        self.names: frozenset[str] = frozenset()
        self._events, self._listing, self._counts, self._no_events = events, listing, counts, no_events
        self._unreported: dict[str, float] = {}
        self._whole_at_s: float | None = None
        self._begun_s = 0.0

    @property
    def polls(self) -> bool:
        """Whether the folder is listed again and again, because the system does not report all changes."""
        return self._events is None or not self._events.is_complete

    def at(self, now_s: float, *, everything: bool) -> ScanTurn:
        """Return what to check now; call `done` once it has been checked."""
        hints = self._events.take() if self._events else Hints()
        gone = any(name in self.names and not self._counts(name) for name in hints.paths)
        asked = everything or hints.everything or gone or self._whole_at_s is None
        if asked or (self._whole_at_s is not None and now_s >= self._whole_at_s):
            return self._all(now_s, hints.paths, by_itself=not asked)
        for name in hints.paths:
            self._unreported.pop(name, None)
        names = tuple(sorted(name for name in hints.paths if self._counts(name)))
        self.names |= frozenset(names)
        self._check_reports(now_s)
        return ScanTurn(names, hints.paths)

    def done(self, scanned: ScanTurn, now_s: float) -> None:
        """Record that what `at` returned has been checked."""
        if scanned.whole:
            costs_s = time.perf_counter() - self._begun_s
            self._whole_at_s = now_s + max(POLL_S if self.polls else RESCAN_S, costs_s / IDLE_SHARE)

    def _all(self, now_s: float, hinted: frozenset[str], *, by_itself: bool) -> ScanTurn:
        self._begun_s = time.perf_counter()
        names = frozenset(self._listing())
        if by_itself:
            self._unreported |= dict.fromkeys(names - self.names - hinted, now_s)
        self.names = names
        return ScanTurn(tuple(sorted(names)), hinted, whole=True, by_itself=by_itself)

    def _check_reports(self, now_s: float) -> None:
        if self._events and any(now_s - found_s > REPORT_DELAY_S for found_s in self._unreported.values()):
            self._no_events()
            self._events, self._whole_at_s = None, now_s
        if not self._events:
            self._unreported.clear()
