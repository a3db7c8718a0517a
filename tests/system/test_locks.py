"""The lock of a project: one process at a time, freed however it ends, and asked about without being tried for."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from stager.errors import AlreadyWatched, PlaceError
from stager.system import locks
from stager.system.locks import in_turn, lock_holder, locked
from tests.support.folders import written

HOLDER = """
import sys
from pathlib import Path
from stager.system.locks import locked
with locked(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def holder(lock: Path) -> subprocess.Popen[str]:
    """Start a process that holds a lock until it is told to end."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, lock], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


@pytest.mark.parametrize("ending", [signal.SIGKILL, signal.SIGTERM])
def test_lock_keeps_others_out_and_dies_with_its_process(tmp_path: Path, ending: signal.Signals) -> None:
    """A second process is told who holds the lock; it is free as soon as that one ends, however it ends."""
    lock = tmp_path / ".stager" / "lock"
    with holder(lock) as process:
        with pytest.raises(AlreadyWatched, match=f"{tmp_path}: already .*by process {process.pid}"), locked(lock):
            pass
        process.send_signal(ending)
        process.wait()
    with locked(lock):
        assert lock.read_text() == str(os.getpid())


def test_lock_twice_in_one_process(tmp_path: Path) -> None:
    """The same process can't hold it twice either."""
    with locked(tmp_path / "x" / "lock"), pytest.raises(AlreadyWatched, match=str(os.getpid())):  # noqa: SIM117
        with locked(tmp_path / "x" / "lock"):
            pass


def test_lock_is_freed_after_an_error(tmp_path: Path) -> None:
    """Whatever happens under it, the lock is free afterwards."""
    with pytest.raises(ZeroDivisionError), locked(tmp_path / "x" / "lock"):
        raise ZeroDivisionError
    with locked(tmp_path / "x" / "lock"):
        pass


def test_lock_that_is_left_over(tmp_path: Path) -> None:
    """A lock file that a dead process left, with a longer number in it, stops nobody."""
    lock = written(tmp_path / "x" / "lock", b"123456789012")
    with locked(lock):
        assert lock.read_text() == str(os.getpid())


def test_holder_is_known_without_trying(tmp_path: Path) -> None:
    """Who holds the lock can be asked while it is held, before, and after its process was killed."""
    lock = tmp_path / ".stager" / "lock"
    assert lock_holder(lock) is None
    with holder(lock) as process:
        assert lock_holder(lock) == process.pid
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert lock.read_text() == str(process.pid)
    assert lock_holder(lock) is None


def test_number_of_another_process(tmp_path: Path) -> None:
    """A lock file with the number of a process that runs, but holds no lock, is nobody's."""
    lock = written(tmp_path / "x" / "lock", str(os.getppid()).encode())
    assert lock_holder(lock) is None


def test_turn_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A lock that is held for moments is waited for; one that is held for too long ends in a sentence."""
    monkeypatch.setattr(locks, "TURN_S", 0.05)
    lock = tmp_path / "state" / "turn"
    with holder(lock) as process:
        with pytest.raises(PlaceError, match="expected a free lock"), in_turn(lock):
            pass
        monkeypatch.setattr(locks, "TURN_S", 240.0)
        assert process.stdin is not None
        process.stdin.close()
        with in_turn(lock):
            pass
    with in_turn(lock):
        assert lock.exists()
