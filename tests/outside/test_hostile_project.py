"""A project file that nobody writes by hand, and names that would move a terminal's cursor, each by the command."""

from pathlib import Path

import pytest

from tests.support import wavefile
from tests.support.command import Command
from tests.support.signals import sine

pytestmark = pytest.mark.long

ESCAPES = '"\\u001b]0;OWNED\\u0007\\u001b[31mred\\u009b5m"'
COMMANDS = [("stage",), ("check",), ("verify",), ("report",), ("status",), ("stage", "--dry-run"), ("stage", "--json")]
HOSTILE = {
    "a hexadecimal number of 5,000 digits": "[target]\nlevel_db = 0x" + "f" * 5000,
    "a dotted key of 20,000 parts": "a" + ".a" * 20_000 + " = 1",
    "lists in lists": "a = " + "[" * 50_000,
    "tables in tables": "a = " + "{a=" * 50_000,
    "takes in the state": '[project]\ntakes = ".stager"',
    "unclosed texts": '"""a"' * 50_000,
}


LINKS = 10_000
"""So many that a look at every link for every link takes many minutes."""


def _is_plain(text: str) -> bool:
    """Whether a text holds no control character but line feeds (ECMA-48: C0, DEL, C1)."""
    return all(char == "\n" or not (ord(char) < 32 or 127 <= ord(char) < 160) for char in text)


@pytest.mark.parametrize("inbox", ["nope", "bounces"])
@pytest.mark.parametrize("args", COMMANDS, ids=" ".join)
def test_no_escape_reaches_the_terminal(stager: Command, tmp_path: Path, args: tuple[str, ...], inbox: str) -> None:
    """A song's name with terminal escapes is printed as text, in results and in errors."""
    (tmp_path / "stager.toml").write_text(f'[project]\nname = {ESCAPES}\ninbox = "{inbox}"\n', encoding="utf-8")
    wavefile.write(tmp_path / "bounces" / "a\x1b[31m\x7f.wav", sine(440, -20.0, 0.5))
    found = stager(args[0], tmp_path, *args[1:])
    assert found.code in (0, 2)
    assert _is_plain(found.stdout), found.stdout
    assert _is_plain(found.stderr), found.stderr


def test_no_escape_in_an_error_about_the_file(stager: Command, tmp_path: Path) -> None:
    """A key and a folder with escapes are printed as text too."""
    folder = tmp_path / "a\x1b[31m"
    folder.mkdir()
    (folder / "stager.toml").write_text('[[role]]\nname = "a\\u009bm"\nmatch = ["*"]\n"\\u007f\\u001b" = 1\n', "utf-8")
    found = stager("stage", folder)
    assert found.code == 2
    assert _is_plain(found.stderr), found.stderr


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_file_is_one_sentence(stager: Command, tmp_path: Path, text: str) -> None:
    """No traceback and no long wait: the file is refused with status 2 in words."""
    (tmp_path / "stager.toml").write_text(text, encoding="utf-8")
    (tmp_path / "bounces").mkdir()
    found = stager("stage", tmp_path)
    assert found.code == 2
    assert found.stderr.startswith("stager: ")
    assert "Traceback" not in found.stderr
    assert len(found.stderr) < 1000


@pytest.mark.long
def test_many_links_that_match_nothing(stager: Command, tmp_path: Path) -> None:
    """`check` says of each link that it waits for stems, and does not hang."""
    links = "".join(f'[[link]]\nname = "l{number}"\nmatch = ["*zz{number}*"]\n' for number in range(LINKS))
    (tmp_path / "stager.toml").write_text(f"version = 1\n{links}", encoding="utf-8")
    wavefile.write(tmp_path / "bounces" / "a.wav", sine(440, -20.0, 0.5))
    (tmp_path / "staged").mkdir()
    found = stager("check", tmp_path, "--json")
    assert found.code == 0
    assert sum(finding["code"] == "link_incomplete" for finding in found.json()["findings"]) == LINKS
