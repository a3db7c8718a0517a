"""The door to numba: a loop compiles, gives what Python gives, and needs no folder to write its cache to."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from stager.system.jit import sample_loop
from stager.system.version import VERSION

LOOP = '''"""A loop beside which nothing can be written."""

import numpy as np

from stager.system.jit import sample_loop


@sample_loop
def total(values):
    """Add up."""
    found = 0.0
    for value in values:
        found += value
    return found


print(total(np.arange(5.0)))
'''


@sample_loop
def _difference(values: NDArray[np.float64]) -> float:
    found = 0.0
    for value in values:
        found = found * 0.5 - value
    return found


@sample_loop
def _share(above: float, below: float) -> float:
    return above / below


def test_loop_adds_in_the_order_written() -> None:
    """The compiled loop gives the very float that Python gives: no sum is reordered."""
    values = np.random.default_rng(3).normal(size=1000)
    expected = 0.0
    for value in values.tolist():
        expected = expected * 0.5 - value
    assert _difference(values) == expected


def test_division_by_zero_is_ieee() -> None:
    """A division by zero gives infinity as in numpy, and raises nothing in the middle of a loop."""
    assert _share(1.0, 0.0) == np.inf


def test_loop_is_compiled_once() -> None:
    """A second call with the same kinds of arguments compiles nothing."""
    _difference(np.zeros(3))
    _difference(np.zeros(4))
    assert len(_difference.signatures) == 1


def test_loop_without_a_place_for_its_cache(tmp_path: Path) -> None:
    """Where no cache can be written, the loop compiles all the same."""
    script = tmp_path / "loop.py"
    script.write_text(LOOP, encoding="utf-8")
    nowhere = {**os.environ, "NUMBA_CACHE_DIR": "/proc/nowhere"}
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, check=True, env=nowhere)
    assert done.stdout == "10.0\n"


def test_loops_are_kept_in_the_users_cache(tmp_path: Path) -> None:
    """XDG Base Directory Specification 0.8: under `$XDG_CACHE_HOME`, by version; nothing lies beside the source."""
    (tmp_path / "source").mkdir()
    script = tmp_path / "source" / "loop.py"
    script.write_text(LOOP, encoding="utf-8")
    env = {name: value for name, value in os.environ.items() if name != "NUMBA_CACHE_DIR"}
    env["XDG_CACHE_HOME"] = str(tmp_path / "cache")
    subprocess.run([sys.executable, "-B", script], capture_output=True, check=True, env=env)
    kept = tmp_path / "cache" / "stager" / f"loops-{VERSION}"
    assert list(kept.rglob("loop.total-*.nbi"))
    assert [path.name for path in (tmp_path / "source").iterdir()] == ["loop.py"]


INNER = """from stager.system.jit import sample_loop

STEP = 1.0


@sample_loop
def stepped(value):
    return value + STEP
"""
OUTER = """from inner import STEP, stepped
from stager.system.jit import sample_loop


@sample_loop
def called(value):
    return stepped(value)


@sample_loop
def counted(value):
    return value * STEP


print(called(1.0), counted(1.0), len(called._cache_hits))
"""


@pytest.mark.long
def test_a_loop_in_another_file_that_changed(tmp_path: Path) -> None:
    """What a cached loop calls, and the numbers it takes, are those of today though its own file is as it was."""
    kept = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "cache")}

    def printed(inner: str) -> str:
        (tmp_path / "inner.py").write_text(inner, encoding="utf-8")
        (tmp_path / "outer.py").write_text(OUTER, encoding="utf-8")
        line = [sys.executable, "-B", tmp_path / "outer.py"]
        return subprocess.run(line, capture_output=True, text=True, check=True, env=kept).stdout.strip()

    assert printed(INNER) == "2.0 1.0 0"
    assert printed(INNER) == "2.0 1.0 1"
    assert printed(INNER.replace("STEP = 1.0", "STEP = 3.0")) == "4.0 3.0 0"
    assert printed(INNER.replace("value + STEP", "value - STEP")) == "0.0 1.0 0"
