"""The only door to numba: compiled sample loops that run without the interpreter lock.

A loop compiles once and is kept in the user's cache folder, by version, so that nothing is left where the package was
installed; where that folder can't be written, beside its source. Where neither can (numba 0.68 then raises while
decorating), the loop compiles anew in each process, and `is_kept` tells. `NUMBA_CACHE_DIR` goes before all. numba
asks whether a loop's own file changed; what the loop takes from other files is compiled into it, so we ask that too.
"""

import importlib
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final, ParamSpec, TypeVar, cast

from numba import njit
from numba.core import event
from numba.core.dispatcher import Dispatcher
from platformdirs import user_cache_path

from stager.system.version import VERSION

P = ParamSpec("P")
R = TypeVar("R")

LINEAR_ALGEBRA: Final = "scipy.linalg"
"""What numba loads where it is installed, for functions that no loop of ours calls: 0.1 s and 20 MB."""
PATIENCE_S: Final = 1.0
"""Compiling that takes longer is said to who waits (own figure)."""


def _load_without_linear_algebra() -> None:
    """Load numba without its linear algebra; afterwards all can be imported as before.

    None is how Python notes that a module is not there.
    """
    if LINEAR_ALGEBRA in sys.modules:
        return
    sys.modules[LINEAR_ALGEBRA] = None  # type: ignore[assignment]
    try:
        importlib.import_module("numba.np.arraymath")
    finally:
        del sys.modules[LINEAR_ALGEBRA]


_load_without_linear_algebra()


config: Any = importlib.import_module("numba.core.config")
"""numba's settings, which are set by name while it is loaded."""
_NOT_KEPT: Final[list[str]] = []
"""Names of loops for which no folder could be written."""


def is_kept() -> bool:
    """Return whether what is compiled is kept for later runs."""
    return not _NOT_KEPT


@contextmanager
def _in_the_users_cache() -> Iterator[None]:
    """Have numba keep what is decorated here in our folder of the user's cache, and leave its setting as it was."""
    before = config.CACHE_DIR
    config.CACHE_DIR = before or str(user_cache_path("stager", appauthor=False) / f"loops-{VERSION}")
    try:
        yield
    finally:
        config.CACHE_DIR = before


def sample_loop(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a loop over samples; IEEE arithmetic stays in the order in which it is written."""
    try:
        with _in_the_users_cache():
            loop: Any = njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:
        _NOT_KEPT.append(function.__name__)
        return cast("Callable[P, R]", njit(nogil=True, error_model="numpy")(function))
    file = loop._cache._cache_file  # noqa: SLF001 - numba has no other way to say what a cached loop depends on
    file._source_stamp = (file._source_stamp, _taken_in(function))  # noqa: SLF001
    return cast("Callable[P, R]", loop)


def _taken_in(function: Callable[P, R]) -> tuple[str, ...]:
    """What a loop's file holds that comes from elsewhere and may be compiled into it: other loops, and numbers."""
    found = []
    for name, value in function.__globals__.items():
        if isinstance(value, Dispatcher) and value.py_func.__module__ != function.__module__:
            cache = getattr(getattr(value, "_cache", None), "_cache_file", None)
            found.append(f"{name} {getattr(cache, '_source_stamp', None)}")
        elif isinstance(value, int | float):
            found.append(f"{name} {value!r}")
    return tuple(sorted(found))


def tell_of_compiling(tell: Callable[[], None]) -> None:
    """Call `tell` once if compiling takes long in this process: at the first run on a machine, or after an update."""
    event.register("numba:compile", _Watch(tell))


class _Watch(event.Listener):
    """Sums up how long loops have compiled; loops that were cached are no event. A loop may compile those it calls."""

    def __init__(self, tell: Callable[[], None]) -> None:
        self._tell: Callable[[], None] | None = tell
        self._began_s: list[float] = []
        self._spent_s = 0.0

    def on_start(self, _event: event.Event) -> None:
        """A loop begins to compile."""
        self._began_s.append(time.monotonic())
        if self._tell and self._spent_s > PATIENCE_S:
            tell, self._tell = self._tell, None
            tell()

    def on_end(self, _event: event.Event) -> None:
        """It has compiled."""
        began_s = self._began_s.pop()
        if not self._began_s:
            self._spent_s += time.monotonic() - began_s
