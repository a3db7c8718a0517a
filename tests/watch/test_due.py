"""Stems that wait: at rest, held by their writer, and what is said of them."""

from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.model import Fingerprint
from stager.system.open_files import Holder
from stager.watch.due import LONG_S, LONGEST_CHECK_S, Due, Settling
from tests.support.folders import written


class Writers:
    """Returns who holds which file, and counts the calls."""

    def __init__(self) -> None:
        self.held: dict[str, Holder] = {}
        self.asked_at: list[set[str]] = []

    def __call__(self, paths: Collection[Path]) -> Mapping[Path, Holder]:
        self.asked_at.append({path.name for path in paths})
        return {path: self.held[path.name] for path in paths if path.name in self.held}


def names(due: Due, now_s: float, most: int = 9) -> list[str]:
    return [name for name, _ in due.take_ready(now_s, most)]


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
    assert due.overdue(0.0) == ["a.wav: recorder (process 12) still holds it open for writing"]
    assert due.overdue(1.0) == []
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
    assert looks == [0.0, 1.0, 3.0, 7.0, *(15.0 + LONGEST_CHECK_S * step for step in range(6))]
    writers.held.clear()
    due.check_soon(["a.wav", "unknown.wav"])
    assert names(due, 60.0) == ["a.wav"]


def test_file_that_keeps_growing_is_said_once(tmp_path: Path) -> None:
    """A file that does not come to rest is no secret."""
    due = Due(tmp_path, 1.0, Writers())
    due.add("a.wav", 0.0)
    for second in range(20):
        written(tmp_path / "a.wav", b"x" * second)
        assert names(due, float(second)) == []
        said = due.overdue(float(second))
        assert said == (["a.wav: still being written, or not yet at rest"] if second == 2 + LONG_S else [])


def test_file_that_goes_away_waits_no_more(tmp_path: Path) -> None:
    """What vanishes is forgotten."""
    due = Due(tmp_path, 0.0, Writers())
    due.add("a.wav", 0.0)
    assert names(due, 0.0) == []
    assert "a.wav" not in due


ONE = Fingerprint(1, 2, 100, 5, 5)
OTHER = replace(ONE, size_bytes=200)

LOOKS = {
    "a first look is never enough": ([(ONE, 0.0)], [False]),
    "just under the time": ([(ONE, 0.0), (ONE, 0.99)], [False, False]),
    "the time itself": ([(ONE, 0.0), (ONE, 1.0)], [False, True]),
    "long after": ([(ONE, 0.0), (ONE, 99.0)], [False, True]),
    "stays ready": ([(ONE, 0.0), (ONE, 1.0), (ONE, 1.1)], [False, True, True]),
    "a change starts over": ([(ONE, 0.0), (OTHER, 0.9), (OTHER, 1.8)], [False, False, False]),
    "and then rests": ([(ONE, 0.0), (OTHER, 0.5), (OTHER, 1.5)], [False, False, True]),
    "back to what it was is a change": ([(ONE, 0.0), (OTHER, 0.5), (ONE, 1.0), (ONE, 1.9)], [False] * 4),
    "ready, then written again": ([(ONE, 0.0), (ONE, 1.0), (OTHER, 1.1)], [False, True, False]),
}


@pytest.mark.parametrize(("looks", "ready"), LOOKS.values(), ids=LOOKS.keys())
def test_looks(looks: list[tuple[Fingerprint, float]], ready: list[bool]) -> None:
    """A file is ready once it has been seen unchanged for the settling time."""
    settling = Settling(1.0)
    assert [settling.is_ready("a", fingerprint, now_s) for fingerprint, now_s in looks] == ready


@pytest.mark.parametrize("field", ["device", "inode", "size_bytes", "modified_ns", "changed_ns"])
def test_any_difference_is_a_change(field: str) -> None:
    """Whatever differs in the fingerprint, the file has not rested."""
    settling = Settling(1.0)
    settling.is_ready("a", ONE, 0.0)
    assert not settling.is_ready("a", replace(ONE, **{field: 9}), 5.0)


def test_files_rest_by_themselves() -> None:
    """One file's change does not start another's time over."""
    settling = Settling(1.0)
    settling.is_ready("a", ONE, 0.0)
    settling.is_ready("b", ONE, 0.9)
    assert settling.is_ready("a", ONE, 1.0)
    assert not settling.is_ready("b", ONE, 1.0)


def test_no_settling_time() -> None:
    """Without a settling time a file is ready at the first look."""
    assert Settling(0.0).is_ready("a", ONE, 0.0)


def test_forgotten_file_starts_over() -> None:
    """A file that is forgotten is new when it is seen again; forgetting an unknown one is no error."""
    settling = Settling(1.0)
    settling.is_ready("a", ONE, 0.0)
    settling.forget("a")
    settling.forget("b")
    assert not settling.is_ready("a", ONE, 5.0)


@settings(deadline=None)
@given(
    settle_s=st.floats(0.1, 10.0),
    looks=st.lists(st.tuples(st.floats(0.0, 3.0), st.sampled_from([ONE, OTHER])), min_size=1, max_size=30),
)
def test_against_the_definition(settle_s: float, looks: list[tuple[float, Fingerprint]]) -> None:
    """Ready is: every look back to the settling time, and one before it, saw the same file."""
    settling, now_s, seen = Settling(settle_s), 0.0, list[tuple[float, Fingerprint]]()
    for wait_s, fingerprint in looks:
        now_s += wait_s
        seen.append((now_s, fingerprint))
        same = [at for at, _ in seen]
        for at, other in reversed(seen):
            if other != fingerprint:
                break
            same = [at, now_s]
        assert settling.is_ready("a", fingerprint, now_s) is (now_s - same[0] >= settle_s)
