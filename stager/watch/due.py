"""Stems that wait: seen to be new or changed, not yet at rest, or still held open by their writer."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from stager.containers import fingerprint_if_there
from stager.holders import Holder, held_for_writing
from stager.model import Fingerprint
from stager.names import shown
from stager.watch.settle import Settling

LONG_S: Final = 5.0
"""How long a file may take to come to rest before a word is said about it, beyond the settling time."""
LOOK_S: Final = 1.0
LONGEST_LOOK_S: Final = 8.0
"""How often to look whether a writer has let go; doubled each time, unless the system tells of a change."""

Holders = Callable[[Collection[Path]], Mapping[Path, Holder]]


@dataclass
class _Wait:
    since_s: float
    look_at_s: float = 0.0
    pause_s: float = LOOK_S
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
        """Begin with nothing seen."""
        self._settling = Settling(self.settle_s)

    def __len__(self) -> int:
        """How many stems wait."""
        return len(self._waits)

    def __contains__(self, name: object) -> bool:
        """Whether this stem waits."""
        return name in self._waits

    def add(self, name: str, now_s: float, says: str = "") -> None:
        """Let a stem wait; `says` is why, where that is known already."""
        wait = self._waits.setdefault(name, _Wait(now_s))
        wait.says = says or wait.says

    def dealt_with(self, name: str) -> None:
        """Note that something came of a stem; when it waits again, that is worth another word."""
        self._said.discard(name)

    def hurry(self, names: Iterable[str]) -> None:
        """Look at these at once: the system told of a change."""
        for name in names:
            if wait := self._waits.get(name):
                wait.look_at_s, wait.pause_s = 0.0, LOOK_S

    def ripe(self, now_s: float, most: int) -> list[tuple[str, Fingerprint]]:
        """Take out those that have rested and that nobody holds, at most so many, in order of name."""
        rested = dict(self._rested(now_s, most))
        held = self.holders([self.inbox / name for name in rested])
        found = []
        for name, fingerprint in rested.items():
            if holder := held.get(self.inbox / name):
                self._put_off(name, now_s, f"{shown(name)}: {holder} still holds it open for writing")
            else:
                self._drop(name)
                found.append((name, fingerprint))
        return found

    def unsaid(self, now_s: float) -> list[str]:
        """Give why a stem has been waiting for long, once each until it has been dealt with."""
        patience_s = self.settle_s + LONG_S
        found = []
        for name, wait in self._waits.items():
            if name not in self._said and (wait.says or now_s - wait.since_s > patience_s):
                self._said.add(name)
                found.append(self._why(name, wait))
        return found

    def soon(self, now_s: float) -> frozenset[str]:
        """Give those that were seen so lately that they may well come to rest at once."""
        return frozenset(name for name, wait in self._waits.items() if now_s - wait.since_s < self.settle_s + LONG_S)

    def reasons(self) -> dict[str, str]:
        """Give why each stem waits."""
        return {name: self._why(name, wait) for name, wait in self._waits.items()}

    def _why(self, name: str, wait: _Wait) -> str:
        return wait.says or f"{shown(name)}: still being written, or not yet at rest"

    def _rested(self, now_s: float, most: int) -> Iterator[tuple[str, Fingerprint]]:
        for name in sorted(self._waits) if most > 0 else ():
            if now_s < self._waits[name].look_at_s:
                continue
            fingerprint = fingerprint_if_there(self.inbox / name)
            if fingerprint is None:
                self._drop(name)
                self.dealt_with(name)
            elif self._settling.is_ready(name, fingerprint, now_s):
                yield name, fingerprint
                most -= 1
                if most == 0:
                    return

    def _put_off(self, name: str, now_s: float, says: str) -> None:
        wait = self._waits[name]
        wait.says, wait.look_at_s = says, now_s + wait.pause_s
        wait.pause_s = min(2.0 * wait.pause_s, LONGEST_LOOK_S)

    def _drop(self, name: str) -> None:
        del self._waits[name]
        self._settling.forget(name)
