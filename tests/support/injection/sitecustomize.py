"""Lets one function of the installed command fail: its folder is put on PYTHONPATH by a test, Python reads it at start.

`INJECT` names the function as MODULE:NAME or MODULE:CLASS.NAME; `INJECT_AT` is a text in what it is called with, or,
where that is empty, `INJECT_ONCE` names a file whose making is the first call's alone.
"""

import functools
import importlib.machinery
import os
import sys
from collections.abc import Callable, Sequence
from types import ModuleType
from typing import Any

MODULE, _, PLACE = os.environ.get("INJECT", "").partition(":")
TEXT, ONCE = os.environ.get("INJECT_AT", ""), os.environ.get("INJECT_ONCE", "")


def _is_meant(called_with: object) -> bool:
    if TEXT:
        return TEXT in repr(called_with)
    try:
        os.close(os.open(ONCE, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
    except FileExistsError:
        return False
    return True


def _failing(real: Callable[..., Any]) -> Callable[..., Any]:
    @functools.wraps(real)
    def failing(*args: object, **keys: object) -> object:
        if _is_meant((args, keys)):
            raise ZeroDivisionError("injected")
        return real(*args, **keys)

    return failing


def _patched(module: ModuleType) -> None:
    *parents, name = PLACE.split(".")
    owner: Any = functools.reduce(getattr, parents, module)
    setattr(owner, name, _failing(getattr(owner, name)))


class _Finder:
    """Puts the failing function into its module as soon as that is loaded, before others take it from there."""

    @staticmethod
    def find_spec(
        name: str, path: Sequence[str] | None = None, _target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        """Return the spec of the one module, whose loading ends with the patch."""
        spec = importlib.machinery.PathFinder.find_spec(name, path) if name == MODULE else None
        loader: Any = spec and spec.loader
        if loader:
            load = loader.exec_module
            loader.exec_module = lambda module: (load(module), _patched(module))
        return spec


if MODULE:
    sys.meta_path.insert(0, _Finder)  # type: ignore[arg-type]
