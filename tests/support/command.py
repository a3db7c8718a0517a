"""The installed command as a process of its own: no code of the package is imported here."""

import json
import os
import subprocess
import sys
import sysconfig
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

HUNG_S: Final = 240
"""A command that takes longer than this hangs; no test depends on how fast one is."""

UNPRIVILEGED: Final = ("setpriv", "--bounding-set=-dac_override,-dac_read_search", "--")
"""Starts a command of root's that must obey file permissions, as an ordinary user's does (Linux capabilities)."""


@dataclass(frozen=True)
class Result:
    """How a command ended, and what it printed."""

    code: int
    stdout: str
    stderr: str

    def json(self) -> dict[str, Any]:
        """Parse the one JSON document on stdout; a constant such as NaN, which JSON does not have, is an error."""

        def refuse(constant: str) -> None:
            raise AssertionError(f"{constant} is no JSON")

        parsed: dict[str, Any] = json.loads(self.stdout, parse_constant=refuse)
        return parsed


def environment(more: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return the environment of the command: a user's, in which Python keeps bytecode, and what a test adds."""
    return {**{name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}, **(more or {})}


class Command:
    """`stager` as it stands in the scripts folder of the interpreter that runs the tests."""

    def __init__(self) -> None:
        self.path = Path(sysconfig.get_path("scripts")) / "stager"
        assert self.path.is_file(), f"{self.path}: the package is not installed for {sys.executable}"

    def __call__(
        self,
        *args: str | Path | bytes,
        cwd: Path | None = None,
        env: Mapping[str, str] | None = None,
        obey_permissions: bool = False,
    ) -> Result:
        """Run it to its end; `obey_permissions` takes root's power over permissions away."""
        done = subprocess.run(
            self.line(*args, obey_permissions=obey_permissions),
            cwd=cwd,
            env=environment(env),
            capture_output=True,
            timeout=HUNG_S,
            check=False,
        )
        return Result(done.returncode, done.stdout.decode(), done.stderr.decode())

    def line(self, *args: str | Path | bytes, obey_permissions: bool = False) -> list[str | bytes]:
        """Return the command line as a list."""
        before = UNPRIVILEGED if obey_permissions and os.geteuid() == 0 else ()
        return [*before, str(self.path), *(arg if isinstance(arg, bytes) else str(arg) for arg in args)]

    @contextmanager
    def started(self, *args: str | Path, log: Path, env: Mapping[str, str] | None = None) -> Iterator[subprocess.Popen]:
        """Start it in the background, both outputs into `log`; whatever happens, it is gone at the end."""
        with log.open("ab") as out:
            process = subprocess.Popen(
                self.line(*args), stdout=out, stderr=out, env=environment(env), stdin=subprocess.DEVNULL
            )
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()
            process.wait(HUNG_S)
