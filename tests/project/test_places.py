"""Folders that would mix originals, takes and copies up are refused."""

from pathlib import Path

import pytest

from stager.errors import ConfigError
from stager.project import ProjectSettings, load_project
from stager.project.places import is_within, place_faults, places_of

APART = {
    "the defaults": {},
    "side by side": {"inbox": "a", "outbox": "b", "takes": "c"},
    "a name that starts alike": {"inbox": "bounces", "outbox": "bounces staged"},
    "absolute": {"inbox": "/songs/in", "outbox": "/songs/out"},
    "above the project": {"inbox": "../bounces", "outbox": "staged"},
}

MEETING = {
    "outbox is inbox": ({"inbox": "a", "outbox": "a"}, "outbox", "inbox, found the same folder"),
    "outbox by another way": ({"inbox": "a", "outbox": "b/../a/."}, "outbox", "inbox, found the same folder"),
    "outbox inside inbox": ({"inbox": "a", "outbox": "a/b/c"}, "outbox", "inbox, found one inside it"),
    "inbox inside outbox": ({"inbox": "a/b", "outbox": "a"}, "outbox", "inbox, found one that holds it"),
    "outbox is the project": ({"outbox": "."}, "outbox", "inbox, found one that holds it"),
    "takes are inbox": ({"takes": "bounces"}, "takes", "inbox, found the same folder"),
    "takes inside inbox": ({"takes": "bounces/takes"}, "takes", "inbox, found one inside it"),
    "takes around inbox": ({"inbox": "a/b", "takes": "a"}, "takes", "inbox, found one that holds it"),
    "takes are outbox": ({"takes": "staged"}, "takes", "outbox, found the same folder"),
    "takes inside outbox": ({"takes": "staged/x"}, "takes", "outbox, found one inside it"),
    "takes around outbox": ({"outbox": "c/d", "takes": "c"}, "takes", "outbox, found one that holds it"),
    "outbox in the state": ({"outbox": ".stager/copies"}, "outbox", "outside of .stager"),
    "takes are the state": ({"takes": ".stager"}, "takes", "outside of .stager"),
    "takes inside the state": ({"takes": ".stager/x"}, "takes", "outside of .stager"),
    "inbox is the state": ({"inbox": ".stager"}, "inbox", "outside of .stager"),
}


def told(folder: Path, **keys: str) -> list[tuple[object, str]]:
    """Return the key and sentence of each fault of these folders."""
    places = places_of(ProjectSettings.model_validate(keys), folder)
    return [(fault.where[-1], fault.says) for fault in place_faults(places)]


@pytest.mark.parametrize("keys", APART.values(), ids=APART.keys())
def test_folders_apart_are_fine(tmp_path: Path, keys: dict[str, str]) -> None:
    """Folders beside each other are accepted, and need not exist."""
    assert told(tmp_path, **keys) == []


@pytest.mark.parametrize(("keys", "key", "says"), MEETING.values(), ids=MEETING.keys())
def test_folders_that_meet_are_a_fault(tmp_path: Path, keys: dict[str, str], key: str, says: str) -> None:
    """The same folder, one inside the other, or one that holds the other is told at the key that comes later."""
    ((found_key, sentence),) = told(tmp_path, **keys)
    assert found_key == key
    assert says in sentence


def test_links_on_disk_are_followed(tmp_path: Path) -> None:
    """A link that leads from the outbox back into the inbox is seen through."""
    (tmp_path / "bounces" / "done").mkdir(parents=True)
    (tmp_path / "staged").symlink_to(tmp_path / "bounces" / "done")
    ((key, says),) = told(tmp_path)
    assert key == "outbox"
    assert "one inside it" in says


def test_linked_project_folder_is_followed(tmp_path: Path) -> None:
    """A project reached by a link has its folders where they really are."""
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "stager.toml").touch()
    (tmp_path / "link").symlink_to("real")
    assert load_project(tmp_path / "link").inbox == (tmp_path / "real" / "bounces").resolve()


def test_links_in_a_circle_are_no_crash(tmp_path: Path) -> None:
    """A folder whose links lead in a circle is found when it is opened, the project file itself is sound."""
    (tmp_path / "one").symlink_to("two")
    (tmp_path / "two").symlink_to("one")
    (tmp_path / "stager.toml").write_text('[project]\ninbox = "one"', encoding="utf-8")
    assert load_project(tmp_path).inbox.parent == tmp_path.resolve()


def test_two_spellings_of_one_folder(tmp_path: Path) -> None:
    """Two paths that the disk takes for one folder are one, whatever they are called."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").symlink_to("a")
    assert is_within(tmp_path / "a" / "new", tmp_path / "b")
    assert not is_within(tmp_path / "c", tmp_path / "b")


def test_folder_fault_beside_another_fault(tmp_path: Path) -> None:
    """A mistake elsewhere in [project] does not hide that the folders meet."""
    (tmp_path / "stager.toml").write_text('[project]\nsettle_s = "1"\noutbox = "bounces"', encoding="utf-8")
    with pytest.raises(ConfigError, match=r"(?s)settle_s: expected a number.*project\.outbox: expected a folder apart"):
        load_project(tmp_path)


def test_state_is_beside_the_file(tmp_path: Path) -> None:
    """What is known about a project lies in a hidden folder beside its file."""
    assert places_of(ProjectSettings(), tmp_path).state == tmp_path.resolve() / ".stager"
