"""The names of drafts, and which of them nobody will finish."""

import os

import pytest

from stager.system.drafts import draft_name, is_leftover, is_of_run, marked, new_mark, sign_name

NOBODY = "4194305"
"""Beyond the highest number that Linux gives a process (proc(5): 2^22)."""


def test_a_run_marks_its_drafts() -> None:
    """Drafts of a run are known by its mark, and those of another run or of none are not."""
    mark, other = new_mark(), new_mark()
    with marked(mark):
        names = {draft_name() for _ in range(1000)}
    assert len(names) == 1000
    assert all(is_of_run(name, mark) and not is_of_run(name, other) for name in (*names, sign_name(mark)))
    assert not is_of_run(draft_name(), mark)


LEADERS = {
    "another process that runs": (str(os.getppid()), False),
    "this process": (str(os.getpid()), True),
    "a process that has ended": (NOBODY, True),
}


@pytest.mark.parametrize(("pid", "goes"), LEADERS.values(), ids=LEADERS.keys())
def test_a_run_whose_leader_is_gone(pid: str, goes: bool) -> None:
    """A worker's draft, whatever machine wrote it, is a leftover once the process that leads the run has ended."""
    assert is_leftover(f".stager-run{pid}x0123456789ab-ba9876543210.tmp") is goes
    assert is_leftover(f".stager-run{pid}x0123456789ab-run.tmp") is goes
