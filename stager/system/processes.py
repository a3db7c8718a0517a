"""Processes of this machine: which run, and how ours begin without being disturbed."""

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import parent_process, resource_tracker
from threading import Thread, current_thread, main_thread


def is_running(pid: int) -> bool:
    """Return whether a process of this number runs."""
    if sys.platform == "win32":
        return True  # os.kill would end it there
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True


@contextmanager
def undisturbed() -> Iterator[None]:
    """Delay a stop while processes start, and have them ignore an interrupt from the terminal.

    The signal mask goes to the threads and processes that begin meanwhile, and to those that replace them later.
    """
    if sys.platform == "win32" or current_thread() is not main_thread():
        yield
        return
    waiting: list[int] = []
    handler = signal.signal(signal.SIGTERM, lambda number, _frame: waiting.append(number))
    resource_tracker.ensure_running()  # it takes the mask away from whichever thread begins it
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, handler)
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
    for number in waiting:
        signal.raise_signal(number)


def end_with_parent() -> None:
    """End this process as soon as the one that started it is gone, however that ended."""
    parent = parent_process()
    if parent is None:
        return

    def wait() -> None:
        parent.join()
        os._exit(1)

    Thread(target=wait, name="parent", daemon=True).start()
