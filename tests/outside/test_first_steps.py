"""The first hour with the command: a new song from a folder of stems, its questions, help, and where it looks."""

import os
import pty
import select
import subprocess
import time
import tomllib
from pathlib import Path

import numpy as np
import pytest

from tests.support import wavefile
from tests.support.command import HUNG_S, Command
from tests.support.signals import faded, sine

pytestmark = pytest.mark.long

COMMANDS = [
    "demo",
    "new",
    "stage",
    "watch",
    "measure",
    "mix",
    "check",
    "verify",
    "report",
    "status",
    "steps",
    "schema",
    "link",
    "allow",
    "explain",
]
RATE = 48_000


def struck(seed: int) -> np.ndarray:
    """Return four short strokes in three seconds: a crest far above 18 dB."""
    rng = np.random.default_rng(seed)
    samples = np.zeros(3 * RATE)
    for at in (0, 40_000, 80_000, 120_000):
        samples[at : at + 200] = 0.5 * rng.normal(0, 0.3, 200).clip(-1, 1)
    return samples


@pytest.fixture
def stems(tmp_path: Path) -> Path:
    """A folder of bounces: a pair, two struck parts in a pair, a click, a voice, a text."""
    folder = tmp_path / "their bounces"
    for name in ("keys_L.wav", "keys_R.wav", "voice.wav"):
        wavefile.write(folder / name, faded(sine(220, -20.0, 2.0), 2000))
    for seed, name in enumerate(("drums/over left.wav", "drums/over right.wav", "shaker [2].wav", "click.wav")):
        wavefile.write(folder / name, struck(seed))
    (folder / "broken.wav").write_text("no audio")
    return folder


def test_roles_are_proposed_as_comments(stager: Command, stems: Path, tmp_path: Path) -> None:
    """Nothing proposed is in force before its # is taken away; with it gone the file is what --accept writes."""
    assert stager("new", tmp_path / "song", "--from", stems).code == 0
    text = (tmp_path / "song" / "stager.toml").read_text()
    settings = tomllib.loads(text)
    assert settings["project"]["inbox"] == str(stems)
    assert [role["name"] for role in settings["role"]] == ["hand drum"]
    proposed = text.partition("# Proposed from")[2].partition("\n\n")[2]
    bare = "\n".join(line.removeprefix("# ") for line in proposed.splitlines())
    assert {role["name"] for role in tomllib.loads(bare)["role"]} == {
        "guide",
        "struck or plucked",
        "struck or plucked, left",
        "struck or plucked, right",
        "left",
        "right",
    }


def test_accepted_roles_stage(stager: Command, stems: Path, tmp_path: Path) -> None:
    """With --accept the pairs are linked and panned, the struck go by peak, the click is left; [ is no pattern."""
    assert stager("new", tmp_path / "song", "--from", stems, "--accept").code == 0
    found = stager("stage", tmp_path / "song", "--json")
    outcomes = {outcome["stem"]: outcome for outcome in found.json()["outcomes"] if "trim" in outcome}
    rules = {stem: outcome["trim"]["target"]["rule"] for stem, outcome in outcomes.items()}
    assert rules == {
        "click.wav": "leave",
        "drums/over left.wav": "peak",
        "drums/over right.wav": "peak",
        "keys_L.wav": "average",
        "keys_R.wav": "average",
        "shaker [2].wav": "peak",
        "voice.wav": "average",
    }
    links = {stem: outcome["trim"]["link"] for stem, outcome in outcomes.items()}
    assert links["keys_L.wav"] == links["keys_R.wav"] == "keys"
    assert links["drums/over left.wav"] == links["drums/over right.wav"] == "over"
    pans = {role["name"]: role.get("pan", 0.0) for role in _settings(tmp_path / "song")["role"]}
    assert (pans["left"], pans["right"]) == (-1.0, 1.0)


def _settings(folder: Path) -> dict[str, list[dict[str, float]]]:
    return tomllib.loads((folder / "stager.toml").read_text())


@pytest.mark.parametrize("args", [("--from", "nowhere"), ("--accept",)])
def test_new_from_nothing_leaves_nothing(stager: Command, tmp_path: Path, args: tuple[str, ...]) -> None:
    """A folder that isn't there is status 2, and no half of a project is left."""
    assert stager("new", tmp_path / "song", *args).code == 2
    assert not (tmp_path / "song" / "stager.toml").exists()


def test_piped_it_asks_nothing(stager: Command, tmp_path: Path) -> None:
    """A script waits for no answer, and the file names a schema that lies there."""
    assert stager("new", tmp_path / "song").code == 0
    first = (tmp_path / "song" / "stager.toml").read_text().splitlines()[0]
    assert (tmp_path / "song" / first.removeprefix("#:schema ")).is_file()


def answered(line: list[str], answers: str) -> tuple[int, str]:
    """Run a command on a terminal of its own, type answers, and return its status and what it wrote there."""
    master, slave = pty.openpty()
    process = subprocess.Popen(line, stdin=slave, stdout=slave, stderr=slave, close_fds=True)
    os.close(slave)
    os.write(master, answers.encode())
    heard, deadline_s = b"", time.monotonic() + HUNG_S
    while time.monotonic() < deadline_s:
        if select.select([master], [], [], 0.1)[0]:
            try:
                heard += os.read(master, 4096)
            except OSError:
                break
        elif process.poll() is not None:
            break
    status = process.wait(HUNG_S)
    os.close(master)
    return status, heard.decode()


@pytest.mark.parametrize(
    ("answers", "takes", "inbox", "roles"),
    [("\n\n\n", None, "bounces", 1), ("audio\nmixed down\nn\n", "audio", "mixed down", 0)],
    ids=["defaults", "answers"],
)
def test_questions_on_a_terminal(
    stager: Command, tmp_path: Path, answers: str, takes: str | None, inbox: str, roles: int
) -> None:
    """Three questions, each with a default: the recorder's folder, the bounces, whether drums are in it."""
    status, heard = answered(stager.line("new", tmp_path / "song"), answers)
    assert status == 0, heard
    settings = tomllib.loads((tmp_path / "song" / "stager.toml").read_text())
    assert settings["project"].get("takes") == takes
    assert settings["project"]["inbox"] == inbox
    assert len(settings.get("role", [])) == roles
    assert (tmp_path / "song" / inbox).is_dir()


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_fits_80_columns(stager: Command, command: str) -> None:
    """`-h` and `--help` are one page, no line is broken by the terminal, no description is cut."""
    page = stager(*filter(None, (command,)), "-h", env={"COLUMNS": "80"})
    assert page.code == 0
    assert page.stdout == stager(*filter(None, (command,)), "--help", env={"COLUMNS": "80"}).stdout
    assert max(map(len, page.stdout.splitlines())) <= 80
    assert "..." not in page.stdout.partition("Options:")[2]


def test_version_by_a_letter(stager: Command) -> None:
    """-V is --version."""
    assert stager("-V").stdout == stager("--version").stdout != ""


def test_quiet_keeps_results_and_errors(stager: Command, stems: Path, tmp_path: Path) -> None:
    """With --quiet stderr holds neither talk nor outcomes, but cautions and errors; stdout is the same."""
    stager("new", tmp_path / "song", "--from", stems)
    loud = stager("stage", tmp_path / "song")
    quiet = stager("--quiet", "stage", tmp_path / "song", "--again")
    assert "staged voice.wav" in loud.stderr
    assert "voice.wav" not in quiet.stderr
    assert "voice.wav" in quiet.stdout
    assert "stager: " in stager("-q", "stage", tmp_path / "nothing").stderr


def test_measure_takes_a_folder(stager: Command, stems: Path) -> None:
    """Every audio file below a folder, in order of name, as if each were named."""
    found = stager("measure", stems, "--json").json()["stems"]
    names = [Path(one["source"]["path"]).relative_to(stems).as_posix() for one in found]
    assert names == sorted(names)
    assert len(names) == 8
    assert [one["refused"] for one in found if "refused" in one] == ["unreadable"]


def test_measure_of_an_empty_folder(stager: Command, tmp_path: Path) -> None:
    """Nothing to do is 0, with a sentence."""
    found = stager("measure", tmp_path)
    assert (found.code, found.stdout) == (0, "")
    assert "Nothing to measure" in found.stderr


def test_project_is_found_upward(stager: Command, tmp_path: Path) -> None:
    """From a folder inside a song the song is found; outside of any, status 2 as before."""
    stager("new", tmp_path / "song")
    inside = tmp_path / "song" / "bounces" / "drums"
    inside.mkdir()
    line = stager.line("status", "--json")
    found = subprocess.run(line, cwd=inside, capture_output=True, text=True, timeout=HUNG_S, check=False)
    assert '"project": "song"' in found.stdout, found.stderr
    assert subprocess.run(line, cwd=tmp_path, capture_output=True, timeout=HUNG_S, check=False).returncode == 2
