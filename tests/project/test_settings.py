"""The records of the project file: printed defaults, strict values, changes over a target."""

import pytest
from pydantic import ValidationError

from stager.model import Target
from stager.project import (
    BusSettings,
    CopySettings,
    Link,
    ProjectSettings,
    RecordingSettings,
    Role,
    Settings,
    Step,
    TargetChanges,
)

DEFAULTS: dict[str, tuple[object, dict[str, object]]] = {
    "project": (
        ProjectSettings(),
        {"inbox": "bounces", "outbox": "staged", "takes": None, "exclude": (), "settle_s": 1.0, "notes": ""},
    ),
    "target": (Settings().target, {"rule": "average", "level_db": -18.0, "ceiling_dbtp": -3.0, "max_boost_db": 18.0}),
    "recording": (
        RecordingSettings(),
        {"peak_dbfs": -12.0, "average_dbfs": -18.0, "tolerance_db": 3.0, "learn": False},
    ),
    "copy": (CopySettings(), {"name": "{stem}{suffix}", "encoding": "same", "dither": "tpdf"}),
    "bus": (BusSettings(), {"ceiling_dbtp": -6.0, "pan_law_db": -3.0, "apply": False}),
    "whole": (Settings(), {"version": 1, "roles": (), "links": (), "steps": (), "plugins": ()}),
}


@pytest.mark.parametrize(("record", "expected"), DEFAULTS.values(), ids=DEFAULTS.keys())
def test_defaults_are_the_printed_ones(record: object, expected: dict[str, object]) -> None:
    """A key that is left out has the value that the documentation prints."""
    assert {key: getattr(record, key) for key in expected} == expected


def test_eight_containers_count_by_default() -> None:
    """Every container that can be staged is included unless the file says otherwise."""
    assert ProjectSettings().include == ("*.wav", "*.w64", "*.rf64", "*.bw64", "*.aif", "*.aiff", "*.caf", "*.flac")


def test_settings_are_frozen() -> None:
    """Nothing can change a setting after it was read."""
    with pytest.raises(ValidationError, match="frozen"):
        ProjectSettings().inbox = "elsewhere"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("record", "key", "value"),
    [
        (ProjectSettings, "settle_s", -0.1),
        (ProjectSettings, "settle_s", True),
        (ProjectSettings, "tempo_bpm", 0.0),
        (ProjectSettings, "include", []),
        (ProjectSettings, "allow", ["loud"]),
        (ProjectSettings, "name", ""),
        (RecordingSettings, "peak_dbfs", 0.5),
        (RecordingSettings, "tolerance_db", "3"),
        (BusSettings, "ceiling_dbtp", 0.5),
        (BusSettings, "pan_law_db", -7.0),
        (BusSettings, "apply", 1),
        (CopySettings, "dither", "triangle"),
        (CopySettings, "name", "{stem}"),
        (TargetChanges, "level_db", float("nan")),
        (TargetChanges, "step_db", 0.0),
    ],
)
def test_value_out_of_range_or_kind_is_refused(record: type[ProjectSettings], key: str, value: object) -> None:
    """Values of another kind are not converted, and values out of range not cut."""
    with pytest.raises(ValidationError, match=key):
        record.model_validate({key: value})


@pytest.mark.parametrize("pan", [-1.01, 1.01])
def test_pan_beyond_the_speakers_is_refused(pan: float) -> None:
    """Pan runs from -1 to 1."""
    with pytest.raises(ValidationError, match="pan"):
        Role.model_validate({"name": "a", "match": ["*"], "pan": pan})


def test_whole_numbers_are_numbers() -> None:
    """A level may be written without its point."""
    assert TargetChanges.model_validate({"level_db": -12}).level_db == -12.0


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, {"rule": "average", "level_db": -20.0, "tolerance_db": 0.5}),
        ({"rule": "peak"}, {"rule": "peak", "level_db": -20.0, "tolerance_db": 0.5}),
        ({"level_db": -18.0}, {"rule": "average", "level_db": -18.0, "tolerance_db": 0.5}),
        ({"tolerance_db": 1.0}, {"rule": "average", "level_db": -20.0, "tolerance_db": 1.0}),
    ],
    ids=["nothing", "the rule", "a level equal to the default", "a tolerance equal to the default"],
)
def test_only_given_keys_change_the_target(changes: dict[str, object], expected: dict[str, object]) -> None:
    """A change to a value that happens to be the default is a change; a key that is not given is none."""
    base = Target(level_db=-20.0, tolerance_db=0.5)
    merged = TargetChanges.model_validate(changes).over(base)
    assert type(merged) is Target
    assert {key: getattr(merged, key) for key in expected} == expected


def test_link_carries_changes_of_the_target() -> None:
    """A link's target is partial, like a role's."""
    link = Link.model_validate({"name": "pair", "match": ["a*"], "target": {"level_db": -20.0}})
    assert link.target.over(Target(ceiling_dbtp=-6.0)) == Target(level_db=-20.0, ceiling_dbtp=-6.0)


def test_step_keeps_its_own_settings() -> None:
    """Keys beside use and match belong to the step and are handed on as they stand."""
    step = Step.model_validate({"use": "high_pass", "match": ["*"], "cutoff_hz": 60, "steep": True, "kind": "soft"})
    assert step.model_extra == {"cutoff_hz": 60, "steep": True, "kind": "soft"}


@pytest.mark.parametrize("value", [float("inf"), float("nan"), [1], {"a": [1]}, {"a": {"b": 1}}, None], ids=str)
def test_step_setting_that_is_no_plain_value_is_refused(value: object) -> None:
    """A step's setting is one finite number, text, true or false, or a table of these."""
    with pytest.raises(ValidationError, match="cutoff_hz"):
        Step.model_validate({"use": "high_pass", "match": ["*"], "cutoff_hz": value})
