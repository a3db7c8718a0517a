"""Whose copy lies in a shared outbox, by the project file that its sidecar names."""

from pathlib import Path

import pytest

from stager.project import Project
from stager.staging.ownership import Owner, is_anothers, is_of_project, named_in, project_file_from
from tests.support.folders import written
from tests.support.records import project, sidecar

ELSEWHERE = "../../other/stager.toml"


@pytest.fixture
def song(tmp_path: Path) -> Project:
    """A project beside which another may lie."""
    return project(tmp_path / "song")


def _there(song: Project) -> None:
    written(song.folder.parent / "other" / "stager.toml", b"")


def test_project_file_from(song: Project) -> None:
    """The way leads from the sidecar's folder, one of a subfolder too."""
    assert project_file_from(song, song.outbox) == "../stager.toml"
    assert project_file_from(song, song.outbox / "drums") == "../../stager.toml"


def test_is_of_project(song: Project) -> None:
    """A link to the project's folder names the project as well; no file named is none."""
    (song.folder.parent / "linked").symlink_to(song.folder)
    assert is_of_project(song, song.outbox, "../stager.toml")
    assert is_of_project(song, song.outbox, "../../linked/stager.toml")
    assert not is_of_project(song, song.outbox, ELSEWHERE)
    assert not is_of_project(song, song.outbox, None)


@pytest.mark.parametrize(("named", "expected"), [(ELSEWHERE, True), ("../stager.toml", False), (None, False)])
def test_is_anothers(song: Project, named: str | None, expected: bool) -> None:
    """A project file is another's where it is there and lies in another folder."""
    assert not is_anothers(song, song.outbox, named)
    _there(song)
    assert is_anothers(song, song.outbox, named) is expected


@pytest.mark.parametrize("named", ["", "\0", "../" * 200 + "x" * 300])
def test_names_that_lead_nowhere(song: Project, named: str) -> None:
    """Whatever a sidecar names, nothing is raised, and it is not this project's."""
    is_anothers(song, song.outbox, named)
    assert not is_of_project(song, song.outbox, named)


def test_owner(song: Project) -> None:
    """The sidecar decides before the ledger, the ledger where the named project is gone."""
    place, ours = song.outbox / "kick.wav", sidecar()
    moved = sidecar(project=ours.project.model_copy(update={"file": ELSEWHERE}))
    earlier = sidecar(project=ours.project.model_copy(update={"file": None}))
    unknown, known = Owner(song, "kick.wav"), Owner(song, "kick.wav", frozenset({"bb"}))
    assert (named_in(None), named_in(moved)) == (None, ELSEWHERE)
    assert [unknown.made(place, one) for one in (ours, moved, earlier, None)] == [True, False, False, False]
    assert [known.made(place, one) for one in (ours, moved, earlier, None)] == [True, True, True, False]
    assert [known.has_written(place, "bb", one) for one in (ours, moved, None)] == [True, True, True]
    assert not unknown.has_written(place, "altered", ours)
    _there(song)
    assert not known.made(place, moved)
    assert not known.has_written(place, "bb", moved)
