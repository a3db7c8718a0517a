"""`stager service print`: files that the systems' own readers take, and that do what they say where /bin/sh can tell.

Sources: systemd.service(5) and its own checker where it is installed, launchd.plist(5) through Python's plistlib, and
Microsoft's task schema 1.2. The launch agent and the task have not been run on their systems.
"""

import os
import plistlib
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from tests.support.command import HUNG_S, Command
from tests.support.processes import of_session, wait_for

TASK = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
ODD = '100 % of $HOME\'s "songs" <&> \\'


@pytest.fixture(params=["songs", ODD], ids=["plain", "odd"])
def songs(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A folder of songs; also one whose name has everything that needs quoting."""
    folder = tmp_path / request.param
    folder.mkdir()
    return folder


def printed(stager: Command, kind: str, songs: Path) -> str:
    """Return what the command prints."""
    done = stager("service", "print", kind, songs)
    assert (done.code, done.stderr) == (0, "")
    return done.stdout


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd is not installed here")
def test_systemd_takes_the_unit(stager: Command, songs: Path, tmp_path: Path) -> None:
    """`systemd-analyze verify` finds nothing to say, and the command in it is the one that stands here."""
    unit = tmp_path / "stager.service"
    unit.write_text(printed(stager, "systemd", songs), encoding="utf-8")
    line = ["systemd-analyze", "verify", "--user", unit]
    ours = {**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)}
    done = subprocess.run(line, capture_output=True, text=True, check=False, env=ours)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_unit_is_quoted_as_systemd_reads_it(stager: Command, songs: Path) -> None:
    """systemd.service(5), "Command lines": double quotes, C's escapes, `%%` and `$$` for the signs themselves."""
    lines = printed(stager, "systemd", songs).splitlines()
    (line,) = [line.removeprefix("ExecStart=") for line in lines if line.startswith("ExecStart=")]
    words = [word.replace("%%", "%").replace("$$", "$") for word in _unquoted(line)]
    assert words == [str(stager.path), "watch", "--discover", str(songs), "--log", "json"]
    assert "RestartPreventExitStatus=2" in lines


def _unquoted(line: str) -> list[str]:
    words, word, inside, escaped = [], "", False, False
    for sign in line:
        if escaped or (inside and sign not in '"\\'):
            word, escaped = word + sign, False
        elif sign == "\\":
            escaped = True
        elif sign == '"':
            inside = not inside
            words, word = (words, word) if inside else ([*words, word], "")
    return words


def agent(stager: Command, songs: Path) -> dict[str, Any]:
    """Return the launch agent as a reader of property lists sees it."""
    found: dict[str, Any] = plistlib.loads(printed(stager, "launchd", songs).encode())
    return found


def test_the_launch_agent_is_a_property_list(stager: Command, songs: Path) -> None:
    """The command's words are whole, and only a failure starts it again."""
    found = agent(stager, songs)
    command = [str(stager.path), "watch", "--discover", str(songs), "--log", "json"]
    assert found["ProgramArguments"][3:] == command
    assert found["KeepAlive"] == {"SuccessfulExit": False}


def test_the_launch_agents_line_ends_well_where_nothing_can_run(stager: Command, songs: Path) -> None:
    """Exit status 2, a missing folder, is a clean end for it: nobody starts it again in vain."""
    line = agent(stager, songs)["ProgramArguments"]
    songs.rmdir()
    done = subprocess.run(line, capture_output=True, timeout=HUNG_S, check=False)
    assert (done.returncode, b"expected" in done.stderr) == (0, True)


@pytest.mark.skipif(sys.platform != "linux", reason="processes are told by /proc")
def test_the_launch_agents_line_stops_the_watch(stager: Command, songs: Path) -> None:
    """SIGTERM to the shell, as launchd sends it, reaches the watch, which ends with 0; nothing of it stays."""
    song = songs / "song"
    (song / "bounces").mkdir(parents=True)
    (song / "stager.toml").write_text('[project]\nname = "Salt Road"\n', encoding="utf-8")
    with subprocess.Popen(agent(stager, songs)["ProgramArguments"], start_new_session=True) as started:
        wait_for((song / ".stager" / "watch.json").exists)
        started.send_signal(signal.SIGTERM)
        assert started.wait(HUNG_S) == 0
    assert of_session(started.pid) == []


def test_the_task_is_well_formed(stager: Command, songs: Path) -> None:
    """Schema 1.2: a trigger at log-on, no time limit, the command and its arguments."""
    root = ET.fromstring(printed(stager, "windows", songs))  # noqa: S314 - our own output
    assert root.tag == f"{TASK}Task"
    assert root.findtext(f"{TASK}Settings/{TASK}ExecutionTimeLimit") == "PT0S"
    assert root.find(f"{TASK}Triggers/{TASK}LogonTrigger") is not None
    assert root.findtext(f"{TASK}Actions/{TASK}Exec/{TASK}Command") == str(stager.path)


def test_a_folder_that_is_not_there(stager: Command, tmp_path: Path) -> None:
    """One sentence says what was expected, and nothing is printed for a file."""
    done = stager("service", "print", "systemd", tmp_path / "nowhere")
    assert (done.code, done.stdout) == (2, "")
    assert "expected the folder that holds your songs" in done.stderr
