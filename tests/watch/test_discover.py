"""Project files below a folder."""

from pathlib import Path

from stager.watch.discover import project_files_below
from tests.support.folders import written


def test_projects_below_a_folder(tmp_path: Path) -> None:
    """Projects are found up to three folders down, not in one another, not in hidden folders, and not through links."""
    for name in ("a", "b/c", "b/d/e", "b/d/e/f", "b/d/g/h", ".hidden", "~old", "a/inside"):
        written(tmp_path / name / "stager.toml", b"version = 1")
    (tmp_path / "z").symlink_to(tmp_path / "b", target_is_directory=True)
    (tmp_path / "b" / "loop").symlink_to(tmp_path, target_is_directory=True)
    found = [path.parent.relative_to(tmp_path).as_posix() for path in project_files_below(tmp_path)]
    assert found == ["a", "b/c", "b/d/e"]


def test_a_folder_that_is_a_project(tmp_path: Path) -> None:
    """A project is its own only project."""
    written(tmp_path / "stager.toml", b"version = 1")
    assert project_files_below(tmp_path) == [tmp_path / "stager.toml"]


def test_a_folder_that_is_gone(tmp_path: Path) -> None:
    """Below a folder that is not there, there is nothing."""
    assert project_files_below(tmp_path / "gone") == []
