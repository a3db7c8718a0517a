"""Which processes run on this machine."""

import os
import sys


def is_running(pid: int) -> bool:
    """Say whether a process of this number runs."""
    if sys.platform == "win32":
        return True  # os.kill would end it there
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True
