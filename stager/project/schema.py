"""The JSON Schema of the project file, for editors that complete keys and underline mistakes."""

from functools import cache
from typing import Any

from stager.project.lines import Where
from stager.project.settings import Settings


def project_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the project file.

    An editor takes it from a first line such as `#:schema ./stager.schema.json`.
    """
    schema: dict[str, Any] = _for_toml(Settings.model_json_schema(by_alias=True))
    for rule in schema["$defs"]["TargetChanges"]["properties"].values():
        del rule["default"]  # a key that is not given stays as [target] has it
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "stager project file"}
    return schema | head


def _for_toml(node: Any) -> Any:  # noqa: ANN401 - any JSON value
    """Return the schema without null, which TOML can't write, and without the defaults of whole tables."""
    if isinstance(node, list):
        return [_for_toml(item) for item in node]
    if not isinstance(node, dict):
        return node
    kept = {name: _for_toml(value) for name, value in node.items() if not (name == "default" and _is_void(value))}
    kinds = [kind for kind in kept.get("anyOf", []) if kind != {"type": "null"}]
    if len(kinds) != 1:
        return kept
    return kinds[0] | {name: value for name, value in kept.items() if name != "anyOf"}


def _is_void(default: object) -> bool:
    return default is None or isinstance(default, dict)


@cache
def _schema() -> dict[str, Any]:
    return project_schema()


def known_keys(table: Where) -> tuple[str, ...]:
    """Return the keys that a table of the project file may have, in the order of the schema."""
    node = _schema()
    for part in table:
        node = node["items"] if isinstance(part, int) else node["properties"][part]
        node = _schema()["$defs"][node["$ref"].rpartition("/")[2]] if "$ref" in node else node
    return tuple(node.get("properties", ()))


def tables_with(key: str) -> list[str]:
    """Return the names of the tables at the top of the file that know a key."""
    return [table for table in ("project", "target", "recording", "copy", "bus") if key in known_keys((table,))]


def thresholds() -> dict[str, str]:
    """Return what each threshold in `limits` of a role means, with its default and range."""
    keys = _schema()["$defs"]["Limits"]["properties"]
    return {name: _threshold_text(key) for name, key in keys.items()}


def _threshold_text(key: dict[str, Any]) -> str:
    low, high = key.get("minimum"), key.get("maximum")
    span = "" if low is None or high is None else f" From {low:g} to {high:g}."
    text = key.get("description", "")
    return f"{text[:1].upper()}{text[1:]}. Default: {key.get('default')}.{span}"
