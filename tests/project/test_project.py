"""What holds for one stem: whether it counts, its role, its target, its fingerprint of settings, its copy's name."""

import subprocess
import sys
from pathlib import Path

import pytest

from stager.model import Target
from stager.project import Project, load_project

TEXT = """\
[project]
name = "Salt Road"
include = ["*.wav", "*.flac"]
exclude = ["*rough*", "old/*"]
allow = ["hum", "dual_mono"]

[target]
level_db = -20.0
tolerance_db = 0.5

[[role]]
name = "hand drum"
match = ["*tabla*", "*clap*"]
target = { rule = "peak", level_db = -10.0 }
allow = ["one_sided", "silent"]
limits = { hum_listen_dbfs = -60.0 }

[[role]]
name = "anything clapped"
match = ["*CLAP*"]
target = { level_db = -30.0 }

[copy]
name = "{stem}_{role}_{rate}_{depth}{suffix}"
"""

CHANGES_A_DRUM = {
    "the level": ("level_db = -10.0", "level_db = -11.0"),
    "the project's tolerance": ("tolerance_db = 0.5", "tolerance_db = 0.6"),
    "the role's name": ('"hand drum"', '"drum"'),
    "a limit": ("hum_listen_dbfs = -60.0", "hum_listen_dbfs = -61.0"),
    "what the role allows": ('"one_sided", ', ""),
    "what the project allows": ('"hum", ', ""),
    "the copy's name": ("{stem}_", "{stem}-"),
    "the dither": ("[copy]", '[copy]\ndither = "none"'),
    "what a good take is": ("[copy]", "[recording]\npeak_dbfs = -11.0\n[copy]"),
}

CHANGES_NO_DRUM = {
    "a comment": ("[target]", "# louder?\n[target]"),
    "the song's name": ("Salt Road", "Glass Orchard"),
    "another role's level": ("level_db = -30.0", "level_db = -31.0"),
    "another role's name": ("anything clapped", "claps"),
    "the level that the role overrides": ("level_db = -20.0", "level_db = -21.0"),
    "the order of keys": ("level_db = -20.0\ntolerance_db = 0.5", "tolerance_db = 0.5\nlevel_db = -20.0"),
    "the order of codes": ('"hum", "dual_mono"', '"dual_mono", "hum"'),
    "the order of the role's codes": ('"one_sided", "silent"', '"silent", "one_sided"'),
    "a default written out": ("tolerance_db = 0.5", "tolerance_db = 0.5\nceiling_dbtp = -3.0"),
    "a whole number without its point": ("level_db = -10.0", "level_db = -10"),
    "how a role matches": ('"*tabla*", ', '"*tab*", '),
    "where it stands": ("limits", "pan = 0.5\nlimits"),
    "which files count": ('"*.flac"', '"*.aif"'),
    "how long a file rests": ("[target]", "settle_s = 3.0\n[target]"),
    "the bus": ("[copy]", "[bus]\nceiling_dbtp = -3.0\n[copy]"),
}


def loaded(folder: Path, text: str = TEXT) -> Project:
    """Load a project from a text."""
    folder.mkdir(exist_ok=True)
    (folder / "stager.toml").write_text(text, encoding="utf-8")
    return load_project(folder)


@pytest.fixture
def project(tmp_path: Path) -> Project:
    """Return the project of the text above."""
    return loaded(tmp_path)


@pytest.mark.parametrize(
    ("stem", "counts"),
    [
        ("tabla.wav", True),
        ("drums/TABLA.WAV", True),
        ("tabla.flac", True),
        ("tabla.aif", False),
        ("tabla.wav.part", False),
        ("Rough mix.wav", False),
        ("old/tabla.wav", False),
        (".tabla.wav", False),
        ("~tabla.wav", False),
        (".trash/tabla.wav", False),
    ],
)
def test_what_counts_as_a_stem(project: Project, stem: str, counts: bool) -> None:
    """A stem is included, not excluded, and not hidden."""
    assert project.includes(stem) is counts


@pytest.mark.parametrize(
    ("stem", "roles"),
    [
        ("tabla.wav", ["hand drum"]),
        ("percussion/Clap 2.wav", ["hand drum", "anything clapped"]),
        ("voice.wav", []),
    ],
)
def test_roles_in_the_order_of_the_file(project: Project, stem: str, roles: list[str]) -> None:
    """All roles that match are known, so that a second one can be told, and the first is the stem's."""
    assert [role.name for role in project.roles_for(stem)] == roles
    first = project.role_for(stem)
    assert (first.name if first else None) == (roles[0] if roles else None)


@pytest.mark.parametrize(
    ("stem", "target"),
    [
        ("tabla.wav", Target(rule="peak", level_db=-10.0, tolerance_db=0.5)),
        ("voice.wav", Target(level_db=-20.0, tolerance_db=0.5)),
    ],
    ids=["with a role", "without"],
)
def test_target_of_a_stem(project: Project, stem: str, target: Target) -> None:
    """A role changes the keys that it gives, and the project's target holds for the rest."""
    assert project.target_for(stem) == target


@pytest.mark.parametrize(("old", "new"), CHANGES_A_DRUM.values(), ids=CHANGES_A_DRUM.keys())
def test_fingerprint_follows_what_is_in_force(tmp_path: Path, old: str, new: str) -> None:
    """A setting that could change this stem's copy or findings changes its fingerprint."""
    assert TEXT.count(old) == 1
    before, after = loaded(tmp_path / "song"), loaded(tmp_path / "song", TEXT.replace(old, new))
    assert before.settings_sha256_for("tabla.wav") != after.settings_sha256_for("tabla.wav")


@pytest.mark.parametrize(("old", "new"), CHANGES_NO_DRUM.values(), ids=CHANGES_NO_DRUM.keys())
def test_fingerprint_passes_over_the_rest(tmp_path: Path, old: str, new: str) -> None:
    """A setting that can't change this stem's copy or findings leaves its fingerprint as it is."""
    assert TEXT.count(old) == 1
    before, after = loaded(tmp_path / "song"), loaded(tmp_path / "song", TEXT.replace(old, new))
    assert before.settings_sha256_for("tabla.wav") == after.settings_sha256_for("tabla.wav")


def test_fingerprint_is_the_same_in_another_folder(tmp_path: Path) -> None:
    """A project that was moved need not be staged again."""
    here, there = loaded(tmp_path / "a"), loaded(tmp_path / "b")
    assert here.settings_sha256_for("x/voice.wav") == there.settings_sha256_for("voice.wav")
    assert len(here.settings_sha256_for("voice.wav")) == 64


def test_fingerprint_is_settled(tmp_path: Path) -> None:
    """The fingerprint of the defaults is pinned: another value would make every copy out of date."""
    pinned = "281bfb08d38f588ed894c8b4bf4c13fadf0ea660e37413480a4bfeb80306f475"
    assert loaded(tmp_path, "").settings_sha256_for("voice.wav") == pinned


@pytest.mark.parametrize(
    ("stem", "copy"),
    [
        ("perc/Tabla 1.wav", "perc/Tabla 1_hand drum_96000_32f.wav"),
        ("voice.flac", "voice_none_96000_32f.flac"),
    ],
)
def test_name_of_a_copy(project: Project, stem: str, copy: str) -> None:
    """The copy lies in the stem's subfolder under the name that the project file describes."""
    assert project.copy_name(stem, encoding="FLOAT", sample_rate_hz=96000) == copy


def test_name_of_the_song(tmp_path: Path, project: Project) -> None:
    """A song without a name has its folder's."""
    assert project.name == "Salt Road"
    assert loaded(tmp_path / "Glass Orchard", "").name == "Glass Orchard"


def test_project_is_frozen(project: Project) -> None:
    """Nothing can point a loaded project elsewhere."""
    with pytest.raises(AttributeError, match="cannot assign"):
        project.inbox = Path("/elsewhere")  # type: ignore[misc]


def test_reading_a_project_needs_no_numbers_library() -> None:
    """The command line reads project files for every command, so this room stays light."""
    code = "import sys, stager.project; print(sorted({'numpy', 'numba', 'scipy', 'soundfile'} & set(sys.modules)))"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
