"""Says which files of a folder are worth a look now: those the system tells of at once, all of them now and then."""

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from stager.watch.events import Events, Hints

RESCAN_S: Final = 120.0
"""How often everything is looked at though the system tells of changes."""
POLL_S: Final = 1.0
IDLE_SHARE: Final = 0.005
"""The share of a core that looking through a folder may take: a look that took long comes less often."""
DEAF_S: Final = 5.0
"""How long the system may take to tell of a file that a look found by itself."""


@dataclass(frozen=True)
class Glance:
    """What to look at: `names` in order; `whole` where that is everything there is, `by_itself` where no hint asked."""

    names: tuple[str, ...]
    hinted: frozenset[str] = frozenset()
    whole: bool = False
    by_itself: bool = False


class Look:
    """One folder. `listing` gives every name that counts, `counts` says whether one does; times never run back.

    Where a look finds new files of which the system never told, `deaf` is called, and every second a look follows.
    """

    def __init__(
        self,
        events: Events | None,
        listing: Callable[[], Iterable[str]],
        counts: Callable[[str], bool],
        deaf: Callable[[], None],
    ) -> None:
        self.names: frozenset[str] = frozenset()
        self._events, self._listing, self._counts, self._deaf = events, listing, counts, deaf
        self._untold: dict[str, float] = {}
        self._whole_at_s: float | None = None
        self._begun_s = 0.0

    def at(self, now_s: float, *, everything: bool) -> Glance:
        """Say what to look at now; call `done` when it has been looked at."""
        hints = self._events.take() if self._events else Hints()
        gone = any(name in self.names and not self._counts(name) for name in hints.paths)
        asked = everything or hints.everything or gone or self._whole_at_s is None
        if asked or (self._whole_at_s is not None and now_s >= self._whole_at_s):
            return self._all(now_s, hints.paths, by_itself=not asked)
        for name in hints.paths:
            self._untold.pop(name, None)
        names = tuple(sorted(name for name in hints.paths if self._counts(name)))
        self.names |= frozenset(names)
        self._mind_deafness(now_s)
        return Glance(names, hints.paths)

    def done(self, glance: Glance, now_s: float) -> None:
        """Note that what `at` gave has been looked at."""
        if glance.whole:
            costs_s = time.perf_counter() - self._begun_s
            self._whole_at_s = now_s + max(RESCAN_S if self._events else POLL_S, costs_s / IDLE_SHARE)

    def _all(self, now_s: float, hinted: frozenset[str], *, by_itself: bool) -> Glance:
        self._begun_s = time.perf_counter()
        names = frozenset(self._listing())
        if by_itself:
            self._untold |= dict.fromkeys(names - self.names - hinted, now_s)
        self.names = names
        return Glance(tuple(sorted(names)), hinted, whole=True, by_itself=by_itself)

    def _mind_deafness(self, now_s: float) -> None:
        if self._events and any(now_s - found_s > DEAF_S for found_s in self._untold.values()):
            self._deaf()
            self._events, self._whole_at_s = None, now_s
        if not self._events:
            self._untold.clear()
