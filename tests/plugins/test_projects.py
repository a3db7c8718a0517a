"""Project files with steps and plug-ins: what is in force, and each fault with its line."""

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from stager.errors import ConfigError
from stager.plugins.catalogue import installed, named
from stager.plugins.projects import load_project
from stager.plugins.schema import full_schema
from stager.project import Project
from stager.project import load_project as load_alone

WICKED = Path(__file__).parent.parent / "support" / "faulty_plugins.py"
FILTER = '[[step]]\nuse = "high_pass"\nmatch = ["voice*"]\n'
FILE = '[[plugin]]\nfile = "mine.py"\n'


def written(folder: Path, text: str) -> Path:
    (folder / "bounces").mkdir(exist_ok=True)
    (folder / "stager.toml").write_text(text, "utf-8")
    return folder


def loaded(folder: Path, text: str) -> Project:
    return load_project(written(folder, text))


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        loaded(folder, text)
    return [line.removeprefix(f"{folder / 'stager.toml'}:") for line in str(caught.value).splitlines()]


def test_a_step_has_all_its_settings(tmp_path: Path) -> None:
    """Those that the file leaves out are written down with their defaults: a copy is described by all of them."""
    (use,) = loaded(tmp_path, FILTER).plugins
    assert (use.source.name, use.match, use.settings) == ("high_pass", ("voice*",), {"cutoff_hz": 40.0})
    assert use.source.own


def test_steps_come_in_the_order_of_the_file(tmp_path: Path) -> None:
    """And each stem has those that match it."""
    text = f'{FILTER}[[step]]\nuse = "remove_dc"\nmatch = ["*"]\n{FILTER}cutoff_hz = 90\n'
    project = loaded(tmp_path, text)
    assert [use.source.name for use in project.plugins_for("voice 1.wav", "step")] == [
        "high_pass",
        "remove_dc",
        "high_pass",
    ]
    assert [use.source.name for use in project.plugins_for("kick.wav", "step")] == ["remove_dc"]


FAULTS = {
    "not there": (
        '[[step]]\nuse = "hi_pass"\nmatch = ["*"]',
        '2: step.1.use: .*found "hi_pass"; did you mean "high_pass"',
    ),
    "no step": ('[[plugin]]\nuse = "high_pass"', '2: plugin.1.use: expected a meter, check, rule .*found "high_pass"'),
    "wrong kind": (f'{FILTER}cutoff_hz = "deep"', '4: step.1.cutoff_hz: expected a number, found "deep"'),
    "out of range": (f"{FILTER}cutoff_hz = -3", "4: step.1.cutoff_hz: expected more than 0, found -3"),
    "misspelt": (f"{FILTER}cutof_hz = 3", '4: step.1.cutof_hz: unknown setting; did you mean "cutoff_hz"'),
    "missing": ('[[step]]\nuse = "align"\nmatch = ["*"]', "1: step.1.delay_frames: expected this setting, found none"),
    "second": (f"{FILTER}{FILTER}cutoff_hz = true", "7: step.2.cutoff_hz: expected a number, found true"),
    "no file": (FILE, "2: plugin.1.file: mine.py: expected a Python file that can be read"),
    "nothing": ('[[plugin]]\nmatch = ["*"]', "1: plugin 1: expected a file, or with `use` a plug-in to use"),
}


@pytest.mark.parametrize("case", FAULTS)
def test_each_fault_has_its_line(tmp_path: Path, case: str) -> None:
    """Wrong settings of a plug-in are told like wrong keys: line, key, what was expected, what was found."""
    text, says = FAULTS[case]
    (found,) = faults(tmp_path, text)
    assert re.match(says, found), found


def test_a_file_gives_its_plugins(tmp_path: Path) -> None:
    """A step of a file named in the project is found by its name; its version tells the file's content."""
    shutil.copy(WICKED, tmp_path / "mine.py")
    text = f'{FILE}[[step]]\nuse = "doubled"\nmatch = ["*"]'
    (use,) = loaded(tmp_path, text).plugins
    assert (use.source.own, use.source.isolated, use.source.origin) == (False, True, "mine.py")
    before = use.source.version
    (tmp_path / "mine.py").write_text(WICKED.read_text() + "\n# changed\n")
    assert loaded(tmp_path, text).plugins[0].source.version != before


@pytest.mark.parametrize("folder", ["bounces", "staged", "takes"])
def test_a_file_that_others_write_is_never_run(tmp_path: Path, folder: str) -> None:
    """Code can't come from inbox, outbox or takes: what would run leaves no trace."""
    (tmp_path / folder).mkdir(exist_ok=True)
    (tmp_path / folder / "mine.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'w')")
    text = f'[project]\ntakes = "takes"\n[[plugin]]\nfile = "{folder}/mine.py"'
    (found,) = faults(tmp_path, text)
    assert found.startswith("4: plugin.1.file: expected a file that no recorder writes, found one in inbox")
    assert not (tmp_path / "ran").exists()


def test_a_link_into_the_inbox_is_seen_through(tmp_path: Path) -> None:
    """A name outside that leads into the inbox is the inbox's file."""
    (tmp_path / "bounces").mkdir()
    (tmp_path / "bounces" / "evil.py").write_text("")
    (tmp_path / "mine.py").symlink_to(tmp_path / "bounces" / "evil.py")
    (found,) = faults(tmp_path, FILE)
    assert "expected a file that no recorder writes" in found


def test_an_effect_from_the_inbox_is_refused(tmp_path: Path) -> None:
    """The same holds for what a step loads."""
    (tmp_path / "bounces").mkdir()
    (tmp_path / "bounces" / "evil.vst3").write_text("")
    text = '[[step]]\nuse = "host"\nmatch = ["*"]\nfile = "bounces/evil.vst3"'
    (found,) = faults(tmp_path, text)
    assert found.startswith("4: step.1.file: expected no file of the inbox, the outbox or the takes")


def test_a_file_with_a_slip_is_told(tmp_path: Path) -> None:
    """A file that can't be run is a fault of the project file, at its line."""
    (tmp_path / "mine.py").write_text("def broken(:\n")
    (found,) = faults(tmp_path, FILE)
    assert found.startswith("2: plugin.1.file: mine.py: SyntaxError: ")


def test_a_file_that_ends_the_process_is_told(tmp_path: Path) -> None:
    """Nor does one that ends its process end ours."""
    (tmp_path / "mine.py").write_text("import os\nos._exit(9)\n")
    (found,) = faults(tmp_path, FILE)
    assert found.startswith("2: plugin.1.file: mine.py: its process ended with status 9")


def test_what_a_copy_depends_on_is_in_its_fingerprint(tmp_path: Path) -> None:
    """Another setting or version of a matching step makes a copy out of date; steps of other stems do not."""
    without = loaded(tmp_path, "")
    plain = loaded(tmp_path, FILTER)
    other = loaded(tmp_path, f"{FILTER}cutoff_hz = 41")
    (use,) = plain.plugins
    newer = replace(plain, plugins=(use.model_copy(update={"source": use.source.model_copy(update={"version": "9"})}),))
    voices = {one.settings_sha256_for("voice.wav") for one in (without, plain, other, newer)}
    assert len(voices) == 4
    assert len({one.settings_sha256_for("kick.wav") for one in (without, plain, other, newer)}) == 1


def test_a_project_read_without_plugins_has_none(tmp_path: Path) -> None:
    """Nobody stages without the steps by mistake: loading without a reader of plug-ins refuses them."""
    with pytest.raises(ConfigError, match=r"stager.toml:1: \[\[step\]\] 1: plug-ins are not read here"):
        load_alone(written(tmp_path, FILTER))


def test_the_schema_knows_the_settings_of_each_step() -> None:
    """Where `use` names a step, its settings stand in the schema with their descriptions."""
    schema = full_schema(installed())
    cases = {case["if"]["properties"]["use"]["const"]: case["then"] for case in schema["$defs"]["Step"]["allOf"]}
    assert set(cases) >= {"align", "flip_polarity", "fold_mono", "high_pass", "host", "remove_dc", "resample"}
    assert cases["resample"]["required"] == ["rate_hz"]
    described = [one["description"] for case in cases.values() for one in case.get("properties", {}).values()]
    assert all(described)


def test_ours_are_found_by_the_same_way() -> None:
    """Our steps are entry points like everybody's, and only the host of other people's code is isolated."""
    own = {found.source.name: found.source for found in installed() if found.source.own}
    assert {name for name, source in own.items() if source.isolated} == {"host"}
    assert [found.source for found in named("stager.steps", "align")] == [own["align"]]
