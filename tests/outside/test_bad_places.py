"""Projects that can't run: one sentence, exit status 2, and nothing written."""

import os
import re
from pathlib import Path

import pytest

from tests.support.command import Command, Result
from tests.support.signals import sine
from tests.support.song import Song, SongMaker, tree

pytestmark = pytest.mark.long

PROJECT = '[project]\nname = "Salt Road"\n'
FAULTS = {
    "unknown key": ("[target]\nlevle_db = -20.0\n", r"stager\.toml.*\b5\b.*levle_db.*level_db"),
    "unknown table": ("[taget]\n", r"taget.*target"),
    "ceiling above 0": ("[target]\nceiling_dbtp = 0.5\n", r"ceiling_dbtp.*0"),
    "level that is no number": ("[target]\nlevel_db = nan\n", "level_db"),
    "peak level over its ceiling": ('[target]\nrule = "peak"\nlevel_db = -1.0\n', "ceiling"),
    "no such step": ('[[step]]\nuse = "hi_pass"\nmatch = ["a*"]\n', r"stager\.toml:5: step\.1\.use.*high_pass"),
    "not TOML": ("[target\n", r"stager\.toml"),
    "no UTF-8": ("# \udcff\n", r"stager\.toml"),
}
FOLDERS = {
    "inbox and outbox the same": 'inbox = "bounces"\noutbox = "bounces"\n',
    "outbox inside the inbox": 'inbox = "bounces"\noutbox = "bounces/staged"\n',
    "inbox inside the outbox": 'inbox = "staged/bounces"\noutbox = "staged"\n',
    "the same by another way": 'inbox = "bounces"\noutbox = "staged/../bounces/."\n',
}


def _sentence(result: Result) -> str:
    """The one thing said on stderr by a command that could not run; nothing on stdout."""
    assert result.code == 2
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    return " ".join(result.stderr.split())


def _refusing(song: Song, command: str = "stage") -> str:
    """Run a command that has to leave everything as it is, and give its sentence."""
    before = tree(song.folder)
    args = ("--until-idle", "1") if command == "watch" else ()
    sentence = _sentence(song.stager(command, song.folder, *args))
    assert tree(song.folder) == before
    return sentence


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_in_the_project_file_stops_the_run(make_song: SongMaker, fault: str) -> None:
    """A fault in the project file names the file, the line and the key, and nothing is staged."""
    text, words = FAULTS[fault]
    song = make_song()
    song.put("part.wav", sine(440, -30.0, 0.3))
    song.file.write_bytes(f"version = 1\n{PROJECT}{text}".encode("utf-8", "surrogateescape"))
    sentence = _refusing(song)
    assert re.search(words, sentence), sentence
    assert "stager.toml" in sentence


@pytest.mark.parametrize(("case", "command"), [*((case, "stage") for case in FOLDERS), (next(iter(FOLDERS)), "watch")])
def test_inbox_and_outbox_must_lie_apart(make_song: SongMaker, case: str, command: str) -> None:
    """An outbox that is the inbox, lies in it or holds it would stage copies of copies: refused."""
    song = make_song(f"{PROJECT}{FOLDERS[case]}")
    assert "outbox" in _refusing(song, command)


def test_an_outbox_that_is_the_inbox_by_a_link_is_refused(song: Song) -> None:
    """A symbolic link does not hide that both are one folder."""
    song.outbox.rmdir()
    song.outbox.symlink_to(song.inbox)
    song.put("part.wav", sine(440, -30.0, 0.3))
    assert "outbox" in _refusing(song)


@pytest.mark.parametrize("command", ["stage", "watch"])
def test_a_missing_inbox_is_named(song: Song, command: str) -> None:
    """An inbox that is not there is named; it is not made, since it may be a drive that is not plugged in."""
    song.inbox.rmdir()
    assert str(song.inbox) in _refusing(song, command)


def test_a_missing_project_is_named(stager: Command, tmp_path: Path) -> None:
    """A folder that is not there, a folder without project file, and a project file that is not there are exit 2."""
    for place in (tmp_path / "nowhere", tmp_path, tmp_path / "other.toml"):
        sentence = _sentence(stager("stage", place))
        assert place.name in sentence


def test_no_permission_on_a_file(song: Song) -> None:
    """A stem that may not be read is refused `unreadable` (exit 1), and the others are staged."""
    song.put("shut.wav", sine(440, -30.0, 0.3)).chmod(0)
    song.put("open.wav", sine(440, -30.0, 0.3))
    result = song.stage("--json", obey_permissions=True)
    outcomes = {outcome["stem"]: outcome for outcome in result.json()["outcomes"]}
    assert result.code == 1
    assert outcomes["shut.wav"]["refused"] == "unreadable"
    assert "permission" in outcomes["shut.wav"]["says"]
    assert outcomes["open.wav"]["trim"]["decided_by"] == "target"


def test_no_permission_on_a_subfolder(song: Song) -> None:
    """One folder below the inbox that may not be read is named in a sentence, exit 1; the other stems are staged."""
    song.put("open.wav", sine(440, -30.0, 0.3))
    song.put("sub/part.wav", sine(440, -30.0, 0.3))
    (song.inbox / "sub").chmod(0o000)
    try:
        result = song.stager("stage", song.folder, obey_permissions=True)
    finally:
        (song.inbox / "sub").chmod(0o700)
    assert result.code == 1
    assert "sub/: expected to look into this folder, found: Permission denied" in result.stderr
    assert "open.wav" in song.outbox_names()


@pytest.mark.parametrize(("place", "mode"), [("bounces", 0o000), ("staged", 0o500), (".", 0o500)])
def test_no_permission_on_a_folder(song: Song, place: str, mode: int) -> None:
    """A folder that may not be read, or not be written, is named in a sentence: exit 2, and no draft is left."""
    song.put("sub/part.wav", sine(440, -30.0, 0.3))
    shut = song.folder / place
    shut.chmod(mode)
    try:
        result = song.stager("stage", song.folder, obey_permissions=True)
    finally:
        shut.chmod(0o700)
    sentence = _sentence(result)
    assert "permission" in sentence
    assert (shut.name if place != "." else ".stager") in sentence
    assert song.outbox_names() == set()


def test_a_staged_copy_needs_no_right_to_write_the_original(song: Song) -> None:
    """Originals in folders that are read only are staged: they are never opened for writing."""
    song.put("sub/part.wav", sine(440, -30.0, 0.3)).chmod(0o400)
    for folder in (song.inbox / "sub", song.inbox):
        folder.chmod(0o500)
    try:
        assert song.stage(obey_permissions=True).code == 0
    finally:
        for folder in (song.inbox, song.inbox / "sub"):
            folder.chmod(0o700)


def test_a_folder_under_a_copys_name_is_stepped_around(song: Song) -> None:
    """Where a folder of a person's has the copy's name, it stays, and the copy lies beside it."""
    song.put("part.wav", sine(440, -30.0, 0.3))
    (song.outbox / "part.wav").mkdir()
    (song.outbox / "part.wav" / "mine.txt").write_text("mine")
    outcome = song.outcome("part.wav")
    assert outcome["copy"]["path"] == "staged/part.v2.wav"
    assert (song.outbox / "part.wav" / "mine.txt").read_text() == "mine"


def test_an_option_that_is_not_known_is_no_run(song: Song) -> None:
    """A misspelt option or command is exit 2, and nothing is staged."""
    song.put("part.wav", sine(440, -30.0, 0.3))
    assert song.stager("stage", song.folder, "--agian").code == 2
    assert song.stager("stgae", song.folder).code == 2
    assert os.listdir(song.outbox) == []  # noqa: PTH208 - nothing at all, hidden files included
