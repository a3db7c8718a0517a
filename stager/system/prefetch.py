"""Work done beside: by threads that all of the process shares, and that wait for nothing themselves."""

import ctypes
import os
from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from functools import cache
from itertools import islice
from threading import Lock
from typing import Final, TypeVar

T = TypeVar("T")

M_ARENA_MAX: Final = -8
M_TRIM_THRESHOLD: Final = -1
M_MMAP_THRESHOLD: Final = -3
ARENAS: Final = 2
LARGEST_KEPT_BYTES: Final = 32 << 20
KEPT_BYTES: Final = 64 << 20
CORES: Final = os.cpu_count() or 1
ALONE: Final = 2
"""Items that the calling thread works out itself: what is so short is not worth another thread."""
_AT_WORK: Final[list[None]] = []
_AT_WORK_LOCK: Final = Lock()


@contextmanager
def busy() -> Iterator[None]:
    """Count this thread as busy inside the context: helper threads start only while a core is idle."""
    with _AT_WORK_LOCK:
        _AT_WORK.append(None)
    try:
        yield
    finally:
        with _AT_WORK_LOCK:
            _AT_WORK.pop()


def has_spare_core() -> bool:
    """Return whether fewer stems are at work than there are cores."""
    return len(_AT_WORK) < CORES


@cache
def helper_threads() -> ThreadPoolExecutor:
    """Return the threads that work beside those of the stems: for tasks that wait for no other task."""
    _keep_freed_memory()
    return ThreadPoolExecutor(2 * CORES, thread_name_prefix="beside")


def _keep_freed_memory() -> None:
    """Have glibc keep freed memory for the next blocks, shared by all threads.

    Asking the system again for each block took a seventh of a long file's time. Source: mallopt(3). Other allocators
    are left as they are.
    """
    with suppress(OSError, AttributeError, TypeError):
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(M_ARENA_MAX, ARENAS)
        mallopt(M_MMAP_THRESHOLD, LARGEST_KEPT_BYTES)
        mallopt(M_TRIM_THRESHOLD, KEPT_BYTES)


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=helper_threads.cache_clear)  # a child has none of its parent's threads


def prefetched(items: Iterator[T]) -> Generator[T, None, None]:
    """Yield what `items` gives, in order, its errors too; with a core to spare, one item is worked out ahead.

    Only one thread at a time works on `items`; when this iterator ends or is closed, none does.
    """
    if not has_spare_core():
        yield from items
        return
    count = 0
    for count, item in enumerate(islice(items, ALONE), 1):  # noqa: B007 - how many there were
        yield item
    if count < ALONE:
        return
    coming = helper_threads().submit(_some, items)
    try:
        while found := coming.result():
            coming = helper_threads().submit(_some, items)
            yield from found
    finally:
        coming.cancel() or coming.exception()


def _some(items: Iterator[T]) -> list[T]:
    """The next item, or nothing at the end."""
    return list(islice(items, 1))
