"""Each command in README runs as printed, in the order in which it stands there, in an empty folder beside a clone."""

import re
import shlex
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

from tests.conftest import ROOT
from tests.support.command import HUNG_S, Command
from tests.support.processes import wait_for

pytestmark = pytest.mark.long

README: Final = (ROOT / "README.md").read_text("utf-8")
BLOCKS: Final = re.findall(r"(?:^    .*\n)+", README, re.MULTILINE)
LINES: Final = [line[4:] for block in BLOCKS for line in block.splitlines()]
PLACEHOLDER: Final = re.compile(r"\b[A-Z]{2,}\b")
ADDRESS: Final = "192.168.1.20"
"""An address in a network of the reader's; this machine has another one."""
MOST_LINES: Final = 130


def commands() -> list[list[str]]:
    """Return each command line in the blocks that a reader types in a shell, less its comment."""
    shell = (line for line in LINES if line.startswith(("stager ", "cp ")))
    return [shlex.split(line, comments=True) for line in shell]


def inline() -> list[list[str]]:
    """Return each command in running text; those that name a placeholder say nothing to run."""
    found = re.findall(r"`(stager [^`]*)`", README)
    return [shlex.split(line) for line in found if not PLACEHOLDER.search(line)]


@pytest.fixture(scope="module")
def clone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder from which the demo's stems are reached as from a clone."""
    folder = tmp_path_factory.mktemp("readme")
    (folder / "demo_stems").symlink_to(ROOT / "demo_stems")
    return folder


def _watched(stager: Command, args: list[str], folder: Path) -> tuple[int, str]:
    """Start a watch, interrupt it once it watches, and return how it ended and what it printed."""
    log = folder / "watch.log"
    log.write_text("")
    local = ["127.0.0.1" if arg == ADDRESS else arg for arg in args]
    line = stager.line(*local)
    with log.open("ab") as out, subprocess.Popen(line, cwd=folder, stdout=out, stderr=out) as process:
        try:
            wait_for(lambda: "watching" in log.read_text("utf-8").lower() or process.poll() is not None)
            process.send_signal(signal.SIGINT)
            return process.wait(HUNG_S), log.read_text("utf-8")
        finally:
            process.kill()


def _ended(stager: Command, line: list[str], folder: Path) -> tuple[int, str]:
    """Run one line of README and return its exit status and what it printed."""
    if line[0] == "cp":
        done = subprocess.run(["/bin/sh", "-c", f"cp {line[1]} {shlex.quote(line[2])}"], cwd=folder, check=False)
        return done.returncode, ""
    if line[1] == "watch" and "--help" not in line:
        code, printed = _watched(stager, line[1:], folder)
        return (0 if code in {0, 130} else code), printed
    result = stager(*line[1:], cwd=folder)
    return result.code, result.stdout + result.stderr


def test_every_command_runs_as_printed(stager: Command, clone: Path) -> None:
    """Blocks first, in order, then what the text names; a fresh reader meets no error."""
    lines = [*commands(), *inline()]
    assert len(lines) > 15
    failed = {shlex.join(line): answer for line in lines if (answer := _ended(stager, line, clone))[0] != 0}
    assert failed == {}
    assert (clone / "lantern road" / "staged" / "report.csv").is_file()
    assert len(list((clone / "lantern road" / "staged").glob("*.wav"))) == 10


def test_python_lines_run_as_printed(clone: Path) -> None:
    """The lines of Python print the lute's average; demo_stems/README.md has -31.5 dBFS."""
    first = LINES.index("import stager")
    code = "\n".join(LINES[first : first + 2])
    done = subprocess.run([sys.executable, "-c", code], cwd=clone, capture_output=True, text=True, check=True)
    assert round(float(done.stdout), 1) == -31.5


@pytest.mark.parametrize("target", ["demo", "test"])
def test_targets_of_make_are_there(target: str) -> None:
    """`make demo` and `make test` are rules of the Makefile; running them here would make a second environment."""
    assert f"make {target}" in "\n".join(LINES)
    done = subprocess.run(["make", "-n", target], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def _links() -> Iterator[str]:
    yield from (link for link in re.findall(r"\]\(([^)]+)\)", README) if "://" not in link)


def test_every_link_leads_somewhere() -> None:
    """Pictures, folders and pages that README points at are in the repository."""
    assert [link for link in _links() if not (ROOT / link).exists()] == []


def test_it_is_short() -> None:
    """A page that is read to its end."""
    assert len(README.splitlines()) <= MOST_LINES
