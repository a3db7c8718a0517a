"""What counts as a stem in an inbox: names, subfolders, order, and no link followed."""

import os
import subprocess
from pathlib import Path

import pytest

from stager.errors import PlaceGone, PlaceRefused
from stager.project import inbox
from stager.project.inbox import check_inbox, is_stem, list_stems, stems_in
from tests.support.folders import written
from tests.support.records import project

NAMES = {
    "kick.wav": True,
    "KICK.WAV": True,
    "kick.flac": True,
    "drums/close/kick.wav": True,
    "kick.wav.json": False,
    "notes.txt": False,
    ".kick.wav": False,
    "~kick.wav": False,
    ".hidden/kick.wav": False,
    "~backup/kick.wav": False,
    "kick.wav.tmp": False,
    "kick": False,
}


@pytest.mark.parametrize(("name", "counts"), NAMES.items())
def test_names_that_count(tmp_path: Path, name: str, counts: bool) -> None:
    """Audio by its name counts, in any subfolder; hidden names never do, nor anything in a hidden folder."""
    song = project(tmp_path)
    written(song.inbox / name, b"")
    assert stems_in(song) == ([name] if counts else [])


def test_order_of_names(tmp_path: Path) -> None:
    """Stems come in order of name, subfolders among them, so that every run is the same."""
    song = project(tmp_path)
    for name in ("b.wav", "a/z.wav", "a.wav", "c/a.wav", "B.wav"):
        written(song.inbox / name, b"")
    assert stems_in(song) == ["B.wav", "a.wav", "a/z.wav", "b.wav", "c/a.wav"]


def test_include_and_exclude(tmp_path: Path) -> None:
    """The project's own patterns say what counts."""
    song = project(tmp_path, '[project]\ninclude = ["*.snd"]\nexclude = ["old/*"]\n')
    for name in ("a.snd", "b.wav", "old/c.snd"):
        written(song.inbox / name, b"")
    assert stems_in(song) == ["a.snd"]


def test_empty_inbox(tmp_path: Path) -> None:
    """An inbox without audio has no stems, and is no error."""
    assert stems_in(project(tmp_path)) == []


def test_links_are_not_followed(tmp_path: Path) -> None:
    """Neither a linked file nor a linked folder is a stem: an original lies in the inbox itself."""
    song = project(tmp_path / "song")
    written(tmp_path / "elsewhere" / "a.wav", b"")
    (song.inbox / "a.wav").symlink_to(tmp_path / "elsewhere" / "a.wav")
    (song.inbox / "more").symlink_to(tmp_path / "elsewhere")
    (song.inbox / "circle").symlink_to(song.inbox)
    assert stems_in(song) == []


def test_only_files(tmp_path: Path) -> None:
    """A folder or a pipe that is called like audio is no stem; what lies in the folder is."""
    song = project(tmp_path)
    os.mkfifo(song.inbox / "pipe.wav")
    written(song.inbox / "folder.wav" / "a.wav", b"")
    assert stems_in(song) == ["folder.wav/a.wav"]


def test_name_that_is_no_utf8(tmp_path: Path) -> None:
    """A stem is given as the system names it, so that it can be opened."""
    song = project(tmp_path)
    name = os.fsdecode(b"k\xffck.wav")
    written(song.inbox / name, b"abc")
    (found,) = stems_in(song)
    assert (song.inbox / found).read_bytes() == b"abc"


def test_inbox_that_is_gone(tmp_path: Path) -> None:
    """A missing inbox is a broken place, named with its project."""
    song = project(tmp_path, '[project]\nname = "Salt Road"\n')
    song.inbox.rmdir()
    with pytest.raises(PlaceGone, match=r"bounces: expected the inbox of Salt Road, found no such folder"):
        stems_in(song)


def test_inbox_that_is_a_file(tmp_path: Path) -> None:
    """A file where the inbox should be is no inbox."""
    song = project(tmp_path)
    song.inbox.rmdir()
    song.inbox.touch()
    for look in (check_inbox, stems_in):
        with pytest.raises(PlaceGone, match=r"bounces: expected the inbox of .*, found no such folder"):
            look(song)


def test_inbox_that_may_not_be_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where we may not look, that is told; it is not the same as an inbox that is not there."""
    song = project(tmp_path)

    def refusing(_path: Path, **_keys: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "stat", refusing)
    for look in (check_inbox, stems_in):
        with pytest.raises(PlaceRefused, match="bounces: expected permission to read, found: Permission denied"):
            look(song)


def test_folder_that_can_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A subfolder without permission is reported and the rest is listed; an excluded one is not even reported."""
    song = project(tmp_path)
    written(song.inbox / "closed" / "a.wav", b"")
    written(song.inbox / "b.wav", b"")
    scan = os.scandir

    def refusing(folder: Path) -> object:
        if Path(folder).name == "closed":
            raise PermissionError(13, "Permission denied")
        return scan(folder)

    monkeypatch.setattr(inbox.os, "scandir", refusing)
    listing = list_stems(song)
    assert listing.names == ("b.wav",)
    assert [folder.says.partition(";")[0] for folder in listing.skipped] == [
        "closed/: expected to look into this folder, found: Permission denied"
    ]
    assert "closed/a.wav" in listing.may_hold()
    assert "gone.wav" not in listing.may_hold()
    for pattern in ("closed", "closed/*", "clo*"):
        assert list_stems(project(tmp_path, f"[project]\nexclude = [{pattern!r}]\n")).skipped == ()


def test_nested_beyond_what_can_be_opened(tmp_path: Path) -> None:
    """Folders nested 1,300 deep, or beyond the longest path that can be opened, end no listing."""
    song = project(tmp_path)
    written(song.inbox / "a.wav", b"")
    descriptor = os.open(song.inbox, os.O_RDONLY)
    for name in ["n"] * 1300 + ["L" * 200] * 12:
        os.mkdir(name, dir_fd=descriptor)
        deeper = os.open(name, os.O_RDONLY, dir_fd=descriptor)
        os.close(descriptor)
        descriptor = deeper
    os.close(descriptor)
    listing = list_stems(song)
    assert listing.names == ("a.wav",)
    (skipped,) = listing.skipped
    assert "its path is longer than the system can open" in skipped.says
    assert len(skipped.says) < 400
    subprocess.run(["rm", "-rf", song.inbox], check=True)  # too deep for shutil


def test_one_stem_is_looked_at_as_all_are(tmp_path: Path) -> None:
    """A single name counts as a stem exactly where a look through the inbox finds it: no link, nothing hidden."""
    song = project(tmp_path)
    for name in ("a.wav", "drums/b.wav", ".hidden/c.wav", "notes.txt", "~d.wav"):
        written(song.inbox / name, b"x")
    (song.inbox / "link.wav").symlink_to(song.inbox / "a.wav")
    (song.inbox / "linked").symlink_to(song.inbox / "drums", target_is_directory=True)
    names = [
        "a.wav",
        "drums/b.wav",
        "drums",
        ".hidden/c.wav",
        "notes.txt",
        "~d.wav",
        "link.wav",
        "linked/b.wav",
        "no.wav",
    ]
    assert [name for name in names if is_stem(song, name)] == stems_in(song) == ["a.wav", "drums/b.wav"]
