"""Runs: which of them reach into a stretch of frames, against the definition."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.model.run_summary import NO_RUNS, RunSummary
from stager.model.runs import Runs, no_runs

Run = tuple[int, int, int]


def runs(*found: Run) -> Runs:
    table = np.array(found, np.int64).reshape(-1, 3)
    return Runs(table[:, 0], table[:, 1], table[:, 2])


BETWEEN = {
    "wholly inside": ((12, 15), True),
    "reaches in from before": ((5, 11), True),
    "reaches out behind": ((19, 30), True),
    "covers all": ((0, 100), True),
    "ends where it begins": ((5, 10), False),
    "begins where it ends": ((20, 25), False),
    "far before": ((0, 1), False),
}

RUNS = st.lists(st.tuples(st.integers(0, 2), st.integers(0, 60), st.integers(1, 30)), max_size=8).map(
    lambda found: [(channel, start, start + length) for channel, start, length in found]
)


@pytest.mark.parametrize(("run", "reaches"), BETWEEN.values(), ids=BETWEEN.keys())
def test_between(run: tuple[int, int], reaches: bool) -> None:
    """A run reaches into frames 10 up to 20 where it shares at least one frame with them."""
    assert list(runs((1, *run)).between(10, 20)) == ([(1, *run)] if reaches else [])


@settings(deadline=None)
@given(found=RUNS, first=st.integers(0, 90), length=st.integers(1, 30))
def test_between_is_sharing_a_frame(found: list[Run], first: int, length: int) -> None:
    """What is given is exactly what shares a frame with the stretch, in its order."""
    frames = set(range(first, first + length))
    expected = [run for run in found if frames & set(range(run[1], run[2]))]
    assert list(runs(*found).between(first, first + length)) == expected


def test_lengths_add_up() -> None:
    """How many there are, and how many samples they cover."""
    found = runs((0, 0, 4), (1, 2, 12))
    assert (len(found), found.total_frames) == (2, 14)


def test_no_runs() -> None:
    """An empty set is a set."""
    assert (len(no_runs()), no_runs().total_frames, list(no_runs().between(0, 10))) == (0, 0, [])


def test_no_runs_summed_up() -> None:
    """A summary of nothing counts nothing and names no channel and no place."""
    assert RunSummary(count=0, total_frames=0, channels=(), starts=(), longest_start=0, longest_frames=0) == NO_RUNS
