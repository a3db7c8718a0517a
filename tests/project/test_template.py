"""The project file that a new project starts with."""

import re
import tomllib
from pathlib import Path

import pytest

from stager.project import Project, Settings, load_project, new_project_text
from stager.project.schema import known_keys

ODD_NAMES = {
    "quotes": ('The "Old" Mill', 'The "Old" Mill'),
    "a backslash": ("up\\down", "up\\down"),
    "accents": ("Canción número 3", "Canción número 3"),
    "brackets": ("[target]\u2014#1", "[target]\u2014#1"),
    "a line break": ("two\nlines", "two?lines"),
    "a deleted sign": ("a\x7fb", "a?b"),
    "undecodable bytes": ("caf\udce9", "caf?"),
    "nothing": ("", "Untitled"),
    "the name of the template": ("Untitled", "Untitled"),
}


def loaded(folder: Path, name: str) -> Project:
    """Write the text for a name and load it."""
    (folder / "stager.toml").write_text(new_project_text(name), encoding="utf-8")
    return load_project(folder)


@pytest.mark.parametrize(("name", "expected"), ODD_NAMES.values(), ids=ODD_NAMES.keys())
def test_template_loads_under_any_name(tmp_path: Path, name: str, expected: str) -> None:
    """Whatever a folder is called, the file written for it is sound."""
    assert loaded(tmp_path, name).name == expected


def test_template_shows_the_defaults(tmp_path: Path) -> None:
    """Apart from the name and the example of a role, the file changes nothing."""
    settings = loaded(tmp_path, "Salt Road").settings
    plain = settings.model_copy(
        update={"roles": (), "project": settings.project.model_copy(update={"name": None})},
    )
    assert plain == Settings()


def test_template_brings_a_hand_drum_to_its_peak(tmp_path: Path) -> None:
    """The example of a role is one that most home recordings need."""
    target = loaded(tmp_path, "Salt Road").target_for("Tabla 1.wav")
    assert (target.rule, target.level_db, target.ceiling_dbtp) == ("peak", -10.0, -3.0)


def test_template_has_every_key() -> None:
    """Each key that a project file may have is there, in force or behind a #."""
    text = new_project_text("Salt Road")
    tables = [
        (),
        ("project",),
        ("target",),
        ("recording",),
        ("role", 0),
        ("link", 0),
        ("step", 0),
        ("plugin", 0),
        ("copy",),
        ("bus",),
    ]
    keys = {key for table in tables for key in known_keys(table)}
    missing = [key for key in keys if not re.search(rf"(^|[\[{{#] ?|, ){key}( =|\])", text, re.MULTILINE)]
    assert missing == []


def test_template_warns_before_playback() -> None:
    """The file asks to turn monitors down before raised copies are played."""
    assert "CAUTION: quiet stems may be raised. Turn your monitors and headphones down" in new_project_text("a")


def test_examples_of_plugins_load_as_toml() -> None:
    """The examples of steps and plug-ins are sound TOML once their # is taken away."""
    examples = new_project_text("a").partition("where you want them:")[2]
    data = tomllib.loads(re.sub(r"(?m)^# ?", "", examples))
    assert list(data) == ["step", "plugin"]


def test_template_fits_a_narrow_screen() -> None:
    """No line is too long to be read beside a recorder's window."""
    assert max(len(line) for line in new_project_text("Salt Road").split("\n")) <= 125
