"""The JSON Schema describes the project file that this package reads, key for key."""

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from stager.project import new_project_text, project_schema
from stager.project.schema import known_keys, tables_with

CONFIGS = Path(__file__).parents[2] / "configs"
TEXTS = {path.stem: path.read_text(encoding="utf-8") for path in sorted(CONFIGS.glob("*.toml"))}
TEXTS["template"] = new_project_text("Salt Road")


def nodes(schema: Any) -> Iterator[dict[str, Any]]:
    """Return every object in a schema."""
    if isinstance(schema, dict):
        yield schema
        for value in schema.values():
            yield from nodes(value)
    if isinstance(schema, list):
        for value in schema:
            yield from nodes(value)


def strangers(data: Any, node: dict[str, Any], schema: dict[str, Any], way: str = "") -> Iterator[str]:
    """Return the keys of parsed TOML that a schema does not know; a plug-in's settings stand beside its `use`."""
    node = schema["$defs"][node["$ref"].rpartition("/")[2]] if "$ref" in node else node
    if isinstance(data, list):
        for entry in data:
            yield from strangers(entry, node["items"], schema, way)
    for key, value in data.items() if isinstance(data, dict) else ():
        if key in node["properties"]:
            yield from strangers(value, node["properties"][key], schema, f"{way}.{key}")
        elif not node.get("additionalProperties"):
            yield f"{way}.{key}"


def test_schema_names_its_draft_and_itself() -> None:
    """An editor needs the draft to read it; an identity that leads nowhere is left out."""
    schema = project_schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["title"] == "stager project file"
    assert "$id" not in schema


def test_schema_is_json() -> None:
    """The schema has no value that JSON lacks, and comes out the same each time."""
    assert json.loads(json.dumps(project_schema(), allow_nan=False)) == project_schema()


def test_tables_are_closed() -> None:
    """No table takes unknown keys, but for the settings of steps and other plug-ins."""
    open_tables = [
        node.get("title")
        for node in nodes(project_schema())
        if node.get("type") == "object" and node.get("additionalProperties") is not False
    ]
    assert sorted(filter(None, open_tables)) == ["Plugin", "Step"]


def test_every_key_is_described() -> None:
    """An editor shows a sentence beside each key."""
    tables = [node for node in nodes(project_schema()) if isinstance(node.get("properties"), dict)]
    bare = [key for table in tables for key, rule in table["properties"].items() if not rule.get("description")]
    assert len(tables) == 14
    assert bare == []


def test_no_null_and_no_infinite_value() -> None:
    """TOML can't write null, so the schema does not offer it."""
    assert '"null"' not in json.dumps(project_schema())
    assert "default" not in project_schema()["$defs"]["ProjectSettings"]["properties"]["takes"]


def test_changes_of_a_target_have_no_defaults() -> None:
    """A role's target keeps what it does not give, so an editor must not show another default."""
    rules = project_schema()["$defs"]["TargetChanges"]["properties"]
    assert list(rules) == list(project_schema()["$defs"]["TargetTable"]["properties"])
    assert not any("default" in rule for rule in rules.values())


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS.keys())
def test_schema_knows_the_keys_of_each_file(text: str) -> None:
    """Every key of the template and of the examples is in the schema."""
    schema = project_schema()
    assert list(strangers(tomllib.loads(text), schema, schema)) == []


def test_unknown_keys_would_be_seen() -> None:
    """The look-up above does find a stranger."""
    schema = project_schema()
    data = {"target": {"x": 1}, "role": [{"target": {"y": 1}}], "z": 1}
    assert list(strangers(data, schema, schema)) == [".target.x", ".role.target.y", ".z"]


def test_known_keys_of_nested_tables() -> None:
    """The keys of a table are found on any way through lists and tables."""
    assert known_keys(()) == tuple(project_schema()["properties"])
    assert known_keys(("copy",)) == ("name", "encoding", "dither")
    assert known_keys(("role", 3, "target"))[:2] == ("rule", "level_db")


def test_tables_that_know_a_key() -> None:
    """A key that stands in the wrong table can be sent home."""
    assert tables_with("tolerance_db") == ["target", "recording"]
    assert tables_with("zzz") == []
