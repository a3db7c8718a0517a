"""Which processes run."""

import os
import subprocess
import sys

from stager.system.processes import is_running


def test_running_and_ended() -> None:
    """This process runs, one that has ended does not, and no number is too large to be asked for."""
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    assert is_running(os.getpid())
    assert not is_running(ended.pid)
    assert not is_running(10**30)
