"""Asks `fault_injection.py` for runs of the installed command that die, or are refused something, at a chosen step."""

import itertools
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.support import fault_injection

KILLED: Final = -9


@dataclass(frozen=True)
class Ended:
    """How a run ended (minus the signal, where one ended it), what it printed, and the steps it took."""

    code: int
    stdout: str
    stderr: str
    steps: tuple[str, ...]


class Forks:
    """One process with the command loaded, which forks for each run; made by `forks`, used by one thread."""

    def __init__(self, process: subprocess.Popen[str], folder: Path) -> None:
        self._process, self._folder, self._numbers = process, folder, itertools.count()

    def run(
        self,
        *argv: str | Path,
        below: Path,
        kind: str = "write",
        step: int = 0,
        deed: str = "count",
        lasting: bool = False,
        links: bool = True,
        user: int = 0,
        clock_s: float = 0.0,
    ) -> Ended:
        """Run the command to its end; `step` is the call below the folder that the deed befalls."""
        out = str(self._folder / f"run{next(self._numbers) % 8}")
        asked = {"kind": kind, "step": step, "deed": deed, "lasting": lasting, "links": links, "user": user}
        asked |= {"argv": [str(arg) for arg in argv], "below": f"{below}/", "clock_s": clock_s, "out": out}
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        answer = self._process.stdout.readline()
        assert answer, "the process that forks has died"
        printed = [Path(f"{out}.{name}").read_text("utf-8", "replace") for name in ("out", "err", "steps")]
        return Ended(int(answer), printed[0], printed[1], tuple(printed[2].splitlines()))


@contextmanager
def forks(folder: Path) -> Iterator[Forks]:
    """Start it with the interpreter of the tests, which is the installed command's; ended with the context."""
    folder.mkdir(parents=True, exist_ok=True)
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    line = [sys.executable, "-P", fault_injection.__file__]
    with subprocess.Popen(line, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=env) as process:
        yield Forks(process, folder)
