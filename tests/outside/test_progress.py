"""The progress of `stager stage` on a terminal and in a pipe."""

import os
import pty
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import pytest

from tests.support.command import HUNG_S, environment
from tests.support.signals import sine
from tests.support.song import Song

pytestmark = [pytest.mark.long, pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is a Unix thing")]
NAMES: Final = ("bell.wav", "harp.wav", "oar.wav")


@pytest.fixture
def filled(song: Song) -> Song:
    """Return a song with three stems."""
    for number, name in enumerate(NAMES):
        song.put(name, sine(220.0 * (number + 1), -20.0, 1.0))
    return song


def on_terminal(song: Song, more: Mapping[str, str] | None = None) -> str:
    """Stage with stderr on a pseudo-terminal; gives all that went there."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        song.stager.line("stage", song.folder), stdout=subprocess.DEVNULL, stderr=slave, env=environment(more)
    )
    os.close(slave)
    seen = b""
    try:
        while part := os.read(master, 4096):
            seen += part
    except OSError:
        pass  # Linux says so at the end of a terminal that nobody has open any more
    finally:
        os.close(master)
    assert process.wait(HUNG_S) == 0
    return seen.decode().replace("\r\n", "\n")


def test_on_a_terminal(filled: Song) -> None:
    """While stems are being staged there is a line with how many of all are done; at the end only the talk is left."""
    seen = on_terminal(filled)
    assert "\r1 of 3 stems, 1 s of sound" in seen
    left = [line.rsplit("\r", 1)[-1] for line in seen.split("\n")]
    assert left.pop() == ""
    assert sorted(line.split(" ", 1)[1].split(":")[0] for line in left) == [f"staged {name}" for name in NAMES]
    assert "\x1b" not in seen


def test_in_a_pipe(filled: Song) -> None:
    """Whoever keeps the talk in a file gets plain lines."""
    result = filled.stage()
    assert result.code == 0
    assert "\r" not in result.stderr
    assert "of sound" not in result.stderr


def test_the_first_run_says_why_it_takes_long(filled: Song, tmp_path: Path) -> None:
    """Where no compiled loops are kept yet, a terminal is told once, and the next run neither waits nor tells."""
    kept = {"NUMBA_CACHE_DIR": str(tmp_path / "cache")}
    assert on_terminal(filled, kept).count("compiling the measuring loops") == 1
    filled.put("late.wav", sine(330.0, -20.0, 1.0))
    seen = on_terminal(filled, kept)
    assert "staged late.wav" in seen
    assert "compiling" not in seen
