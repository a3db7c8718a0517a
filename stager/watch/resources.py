"""What all projects of a watch share: the observer of changes and the executors."""

import os
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from typing import Final

from stager.watch.events import ChangeObserver

NICENESS: Final = 10
"""The niceness of the thread that examines sets (nice(2))."""


@dataclass(frozen=True)
class Resources:
    """Executors for stems, takes and the examination of sets; `observer` is None where folders are polled."""

    observer: ChangeObserver | None
    stems: Executor
    takes: Executor
    sets: Executor


@contextmanager
def shared_resources(report: Callable[[str], None], *, poll: bool) -> Iterator[Resources]:
    """Yield the resources of a watch; `report` receives what the system refuses, once each."""
    cores = os.cpu_count() or 1
    with ExitStack() as stack:
        observer = None if poll else stack.enter_context(closing(ChangeObserver(report)))
        stems = stack.enter_context(ThreadPoolExecutor(cores, thread_name_prefix="stem"))
        takes = stack.enter_context(ThreadPoolExecutor(cores, thread_name_prefix="take"))
        sets = stack.enter_context(ThreadPoolExecutor(1, thread_name_prefix="set", initializer=_lower_priority))
        yield Resources(observer, stems, takes, sets)


def _lower_priority() -> None:
    if sys.platform == "linux":
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICENESS)
