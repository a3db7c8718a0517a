"""Values and keys are shown as a musician wrote them."""

from pathlib import Path

import pytest

from stager.project.faults import Fault, config_error, full_key, model_faults, shown
from stager.project.lines import Where

DATA = {
    "project": {"include": ["*.wav"]},
    "role": [{"name": "hand drum", "target": {}}, {"match": ["*"]}, {"name": 3}, {"name": ""}],
}


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("a", '"a"'),
        ('say "a"', '"say \\"a\\""'),
        ("é", '"é"'),
        ("\x1b[31m", '"\\u001b[31m"'),
        (True, "true"),
        (-18.0, "-18.0"),
        (float("nan"), "nan"),
        ([1, 2], "a list of 2"),
        ({}, "a table"),
        ("x" * 80, '"' + "x" * 58 + "…"),
    ],
    ids=repr,
)
def test_value_as_in_the_file(value: object, text: str) -> None:
    """A value is shown in the file's own spelling, cut to a line, and without signs that move a cursor."""
    assert shown(value) == text


@pytest.mark.parametrize(
    ("where", "key"),
    [
        (("target", "level_db"), "target.level_db"),
        (("role", 0), 'role."hand drum"'),
        (("role", 0, "target", "rule"), 'role."hand drum".target.rule'),
        (("role", 1, "match", 0), "role.2.match.1"),
        (("role", 2), "role.3"),
        (("role", 3), "role.4"),
        (("role", 9, "x"), "role.10.x"),
        (("project", "odd key"), 'project."odd key"'),
        (("project", "include", 0), "project.include.1"),
    ],
    ids=str,
)
def test_full_key(where: Where, key: str) -> None:
    """A role is called by its name, or by its number as people count."""
    assert full_key(where, DATA) == key


def test_faults_are_sorted_by_line() -> None:
    """The error has a line for each fault, in the order of the file, faults of one line in the order found."""
    faults = [Fault(("b",), "late"), Fault(("a",), "early"), Fault(("b", "x"), "late too"), Fault(("c",), "nowhere")]
    error = config_error(Path("song.toml"), faults, {("a",): 2, ("b",): 7})
    assert str(error).split("\n") == [
        "song.toml:1: nowhere",
        "song.toml:2: early",
        "song.toml:7: late",
        "song.toml:7: late too",
    ]


def test_sound_data_has_no_faults() -> None:
    """An empty file is sound, since every key has a default."""
    assert model_faults({}) == []


def test_every_fault_of_the_records_is_found_at_once() -> None:
    """One look at the file finds all keys and values that are wrong in themselves."""
    data = {"target": {"rule": 1, "x": 2}, "role": [{"pan": 2.0}], "bus": {"apply": "no"}}
    assert {fault.where for fault in model_faults(data)} == {
        ("target", "rule"),
        ("target", "x"),
        ("role", 0, "name"),
        ("role", 0, "match"),
        ("role", 0, "pan"),
        ("bus", "apply"),
    }


def test_long_choice_without_a_near_word_is_told_in_full() -> None:
    """Where nothing near can be named, all words that are possible are."""
    (fault,) = model_faults({"project": {"allow": ["zzz"]}})
    assert 'expected "clipped", "clipped_upstream"' in fault.says
    assert fault.says.endswith('or "link_incomplete", found "zzz"')
