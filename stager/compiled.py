"""The only door to numba: compiled sample loops that run without the interpreter lock.

A loop compiles once and is cached beside its source, or in the user's cache folder where the source is read only. Where
neither can be written (numba 0.68 then raises while decorating), the loop compiles anew in each process instead.
"""

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

from numba import njit

P = ParamSpec("P")
R = TypeVar("R")


def sample_loop(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a loop over samples; IEEE arithmetic stays in the order in which it is written."""
    try:
        return cast("Callable[P, R]", njit(cache=True, nogil=True, error_model="numpy")(function))
    except RuntimeError:
        return cast("Callable[P, R]", njit(nogil=True, error_model="numpy")(function))
