"""Stems that wait: new or changed, not yet at rest, or still held open by their writer."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from stager.model import Fingerprint
from stager.system.files import fingerprint_if_there
from stager.system.open_files import Holder, held_for_writing
from stager.system.printable import shown


@dataclass
class Settling:
    """Files that were seen to change, and since when the fingerprint of each has been the same.

    A file is ready once its fingerprint has stayed the same for `settle_s`. Times are of a clock that never runs back.
    """

    settle_s: float
    _since: dict[str, tuple[Fingerprint, float]] = field(default_factory=dict)

    def is_ready(self, name: str, fingerprint: Fingerprint, now_s: float) -> bool:
        """Record a file's fingerprint; return whether it has been the same for long enough."""
        known = self._since.get(name)
        if known is None or known[0] != fingerprint:
            self._since[name] = (fingerprint, now_s)
            return self.settle_s <= 0.0
        return now_s - known[1] >= self.settle_s

    def forget(self, name: str) -> None:
        """Forget this file; when it is seen again, its time starts anew."""
        self._since.pop(name, None)


LONG_S: Final = 5.0
"""How long a file may take to come to rest, beyond the settling time, before a line is logged about it."""
CHECK_S: Final = 1.0
LONGEST_CHECK_S: Final = 8.0
"""How often to check whether a writer has closed a file; doubled each time, unless the system reports a change."""

Holders = Callable[[Collection[Path]], Mapping[Path, Holder]]


@dataclass
class _Wait:
    since_s: float
    check_at_s: float = 0.0
    pause_s: float = CHECK_S
    says: str = ""


@dataclass
class Due:
    """The stems of one inbox that wait to be read. Times are of a clock that never runs back."""

    inbox: Path
    settle_s: float
    holders: Holders = held_for_writing
    _waits: dict[str, _Wait] = field(default_factory=dict)
    _said: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        """Start with no file seen."""
        self._settling = Settling(self.settle_s)

    def __len__(self) -> int:
        """The number of stems that wait."""
        return len(self._waits)

    def __contains__(self, name: object) -> bool:
        """Whether this stem waits."""
        return name in self._waits

    def add(self, name: str, now_s: float, says: str = "") -> None:
        """Add a stem to those that wait; `says` is why, where that is known already."""
        wait = self._waits.setdefault(name, _Wait(now_s))
        wait.says = says or wait.says

    def settled(self, name: str) -> None:
        """Record that a stem has an outcome; when it waits for long again, that is logged again."""
        self._said.discard(name)

    def check_soon(self, names: Iterable[str]) -> None:
        """Check these at the next step: the system reported a change."""
        for name in names:
            if wait := self._waits.get(name):
                wait.check_at_s, wait.pause_s = 0.0, CHECK_S

    def take_ready(self, now_s: float, most: int) -> list[tuple[str, Fingerprint]]:
        """Remove and return the stems at rest that no writer holds open, at most `most`, in order of name."""
        rested = dict(self._rested(now_s, most))
        held = self.holders([self.inbox / name for name in rested])
        found = []
        for name, fingerprint in rested.items():
            if holder := held.get(self.inbox / name):
                self._postpone(name, now_s, f"{shown(name)}: {holder} still holds it open for writing")
            else:
                self._drop(name)
                found.append((name, fingerprint))
        return found

    def overdue(self, now_s: float) -> list[str]:
        """Return why stems have been waiting for long; each once, until it has had an outcome."""
        patience_s = self.settle_s + LONG_S
        found = []
        for name, wait in self._waits.items():
            if name not in self._said and (wait.says or now_s - wait.since_s > patience_s):
                self._said.add(name)
                found.append(self._why(name, wait))
        return found

    def recent(self, now_s: float) -> frozenset[str]:
        """Return the stems that began to wait so recently that they may come to rest any moment."""
        return frozenset(name for name, wait in self._waits.items() if now_s - wait.since_s < self.settle_s + LONG_S)

    def reasons(self) -> dict[str, str]:
        """Return why each stem waits."""
        return {name: self._why(name, wait) for name, wait in self._waits.items()}

    def _why(self, name: str, wait: _Wait) -> str:
        return wait.says or f"{shown(name)}: still being written, or not yet at rest"

    def _rested(self, now_s: float, most: int) -> Iterator[tuple[str, Fingerprint]]:
        for name in sorted(self._waits) if most > 0 else ():
            if now_s < self._waits[name].check_at_s:
                continue
            fingerprint = fingerprint_if_there(self.inbox / name)
            if fingerprint is None:
                self._drop(name)
                self.settled(name)
            elif self._settling.is_ready(name, fingerprint, now_s):
                yield name, fingerprint
                most -= 1
                if most == 0:
                    return

    def _postpone(self, name: str, now_s: float, says: str) -> None:
        wait = self._waits[name]
        wait.says, wait.check_at_s = says, now_s + wait.pause_s
        wait.pause_s = min(2.0 * wait.pause_s, LONGEST_CHECK_S)

    def _drop(self, name: str) -> None:
        del self._waits[name]
        self._settling.forget(name)
