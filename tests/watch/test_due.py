"""Stems that wait: at rest, held by their writer, and what is said of them."""

from collections.abc import Collection, Mapping
from pathlib import Path

from stager.holders import Holder
from stager.watch.due import LONG_S, LONGEST_LOOK_S, Due
from tests.making import written


class Writers:
    """Says who holds which file, and counts how often it was asked."""

    def __init__(self) -> None:
        self.held: dict[str, Holder] = {}
        self.asked_at: list[set[str]] = []

    def __call__(self, paths: Collection[Path]) -> Mapping[Path, Holder]:
        self.asked_at.append({path.name for path in paths})
        return {path: self.held[path.name] for path in paths if path.name in self.held}


def names(due: Due, now_s: float, most: int = 9) -> list[str]:
    return [name for name, _ in due.ripe(now_s, most)]


def test_rested_ones_come_in_order_and_no_more_than_asked(tmp_path: Path) -> None:
    """What has rested is taken out once, by name, as many as there is room for."""
    due = Due(tmp_path, 1.0, Writers())
    for name in ("c.wav", "a.wav", "b.wav"):
        written(tmp_path / name, b"x")
        due.add(name, 0.0)
    assert names(due, 0.0) == []
    assert names(due, 1.0, most=0) == []
    assert names(due, 1.0, most=2) == ["a.wav", "b.wav"]
    assert names(due, 1.1) == ["c.wav"]
    assert len(due) == 0


def test_file_that_its_writer_holds_is_waited_for(tmp_path: Path) -> None:
    """A file at rest that a process still has open is not taken; who, and that it is waited for, is said once."""
    writers = Writers()
    due = Due(tmp_path, 0.0, writers)
    written(tmp_path / "a.wav", b"x")
    writers.held["a.wav"] = Holder(12, "recorder")
    due.add("a.wav", 0.0)
    assert names(due, 0.0) == []
    assert due.unsaid(0.0) == ["a.wav: recorder (process 12) still holds it open for writing"]
    assert due.unsaid(1.0) == []
    assert due.reasons() == {"a.wav": "a.wav: recorder (process 12) still holds it open for writing"}
    del writers.held["a.wav"]
    assert names(due, 1.0) == ["a.wav"]


def test_holders_are_asked_about_less_and_less(tmp_path: Path) -> None:
    """A file that is held for long costs a look every eight seconds at most, and a hint brings one at once."""
    writers = Writers()
    due = Due(tmp_path, 0.0, writers)
    written(tmp_path / "a.wav", b"x")
    writers.held["a.wav"] = Holder(12, "recorder")
    due.add("a.wav", 0.0)
    looks = []
    for tenth in range(600):
        before = sum(map(bool, writers.asked_at))
        names(due, tenth / 10.0)
        looks += [tenth / 10.0] if sum(map(bool, writers.asked_at)) > before else []
    assert looks == [0.0, 1.0, 3.0, 7.0, *(15.0 + LONGEST_LOOK_S * step for step in range(6))]
    writers.held.clear()
    due.hurry(["a.wav", "unknown.wav"])
    assert names(due, 60.0) == ["a.wav"]


def test_file_that_keeps_growing_is_said_once(tmp_path: Path) -> None:
    """A file that does not come to rest is no secret."""
    due = Due(tmp_path, 1.0, Writers())
    due.add("a.wav", 0.0)
    for second in range(20):
        written(tmp_path / "a.wav", b"x" * second)
        assert names(due, float(second)) == []
        said = due.unsaid(float(second))
        assert said == (["a.wav: still being written, or not yet at rest"] if second == 2 + LONG_S else [])


def test_file_that_goes_away_waits_no_more(tmp_path: Path) -> None:
    """What vanishes is forgotten."""
    due = Due(tmp_path, 0.0, Writers())
    due.add("a.wav", 0.0)
    assert names(due, 0.0) == []
    assert "a.wav" not in due
