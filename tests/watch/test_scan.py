"""What is worth a look, on a clock of numbers: hints at once, everything now and then, and a system that is silent."""

from dataclasses import dataclass, field

import pytest

from stager.watch import scan as room
from stager.watch.events import Hints
from stager.watch.scan import POLL_S, REPORT_DELAY_S, RESCAN_S, Scan


@dataclass
class System:
    """Stands in for a folder and for the system that tells of it."""

    names: set[str] = field(default_factory=set)
    told: Hints = field(default_factory=Hints)
    no_events: int = 0
    listed: int = 0
    is_complete: bool = True

    def take(self) -> Hints:
        was, self.told = self.told, Hints()
        return was

    def listing(self) -> list[str]:
        self.listed += 1
        return sorted(self.names)

    def look(self, *, listens: bool = True) -> Scan:
        def notice() -> None:
            self.no_events += 1

        return Scan(self if listens else None, self.listing, self.names.__contains__, notice)


def names(look: Scan, now_s: float, *, everything: bool = False) -> tuple[str, ...]:
    scanned = look.at(now_s, everything=everything)
    look.done(scanned, now_s)
    return scanned.names


def test_first_look_is_at_everything() -> None:
    """What lay there before anybody listened is found."""
    system = System({"b", "a"})
    assert names(system.look(), 0.0) == ("a", "b")


def test_hint_is_enough_for_one_name() -> None:
    """A file that the system tells of is looked at, and nothing else; one that does not count is not."""
    system = System({"a", "b"})
    look = system.look()
    names(look, 0.0)
    system.names.add("c")
    system.told = Hints(frozenset({"c", "notes.txt"}))
    assert names(look, 0.1) == ("c",)
    assert system.listed == 1
    assert look.names == {"a", "b", "c"}


def test_name_that_went_away_brings_a_look_at_everything() -> None:
    """What a file left behind, such as another that clashed with it, is looked at too."""
    system = System({"a", "b"})
    look = system.look()
    names(look, 0.0)
    system.names.discard("a")
    system.told = Hints(frozenset({"a"}))
    assert names(look, 0.1) == ("b",)
    assert look.names == {"b"}


@pytest.mark.parametrize(("listens", "next_s"), [(True, RESCAN_S), (False, POLL_S)])
def test_everything_is_looked_at_now_and_then(listens: bool, next_s: float) -> None:
    """In two minutes where the system tells of changes, every second where not; at once where it is asked for."""
    system = System({"a"})
    look = system.look(listens=listens)
    names(look, 0.0)
    assert names(look, next_s - 0.01) == ()
    assert names(look, next_s + 0.5) == ("a",)
    assert names(look, next_s + 0.6, everything=True) == ("a",)


def test_looks_that_take_long_come_less_often(monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder with very many files takes a small share of a core, however it is watched."""
    clock = iter([0.0, 0.1, 100.0, 100.1])
    monkeypatch.setattr(room.time, "perf_counter", lambda: next(clock))
    system = System({"a"})
    look = system.look(listens=False)
    names(look, 0.0)
    assert names(look, 19.9) == ()
    assert names(look, 20.1) == ("a",)


def test_system_that_tells_nothing_is_found_out() -> None:
    """Where a look finds a new file that the system had time to tell of, every second a look follows; said once."""
    system = System({"a"})
    look = system.look()
    names(look, 0.0)
    system.names.add("b")
    assert names(look, RESCAN_S + 1.0) == ("a", "b")
    names(look, RESCAN_S + 1.0 + REPORT_DELAY_S / 2)
    assert system.no_events == 0
    names(look, RESCAN_S + 1.5 + REPORT_DELAY_S)
    assert system.no_events == 1
    system.names.add("c")
    assert names(look, RESCAN_S + 3.0 + REPORT_DELAY_S) == ("a", "b", "c")
    names(look, 2 * RESCAN_S)
    assert system.no_events == 1


def test_late_hint_is_no_deafness() -> None:
    """A file that a look found just before the system told of it is nothing to worry about."""
    system = System({"a"})
    look = system.look()
    names(look, 0.0)
    system.names.add("b")
    names(look, RESCAN_S + 1.0)
    system.told = Hints(frozenset({"b"}))
    names(look, RESCAN_S + 1.1)
    names(look, RESCAN_S + 2.0 + REPORT_DELAY_S)
    assert system.no_events == 0
