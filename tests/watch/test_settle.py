"""Settling is arithmetic: what was seen when, and nothing else."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.model import Fingerprint
from stager.watch.settle import Settling

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
