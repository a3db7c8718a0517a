"""The JSON Schema of the project file with the settings of every plug-in that was found."""

from collections.abc import Iterable
from typing import Any

from stager.project import project_schema
from stager.steps.catalogue import Found
from stager.steps.kinds import Rule, Step


def full_schema(found: Iterable[Found]) -> dict[str, Any]:
    """Give the schema: in `[[step]]` and `[[plugin]]`, what `use` names decides which settings there are.

    A target's `rule` may be one of the rules found, and `allow` has the codes of the checks found.
    """
    schema = project_schema()
    for one in found:
        if one.fault:
            continue
        table = schema["$defs"]["Step" if one.source.group == Step.group else "Plugin"]
        inner = dict(one.schema)
        schema["$defs"].update(inner.pop("$defs", {}))
        settings = {key: inner[key] for key in ("properties", "required") if key in inner}
        case = {"if": {"properties": {"use": {"const": one.source.name}}, "required": ["use"]}, "then": settings}
        table.setdefault("allOf", []).append(case)
        table["properties"]["use"].setdefault("examples", []).append(one.source.name)
        is_rule = one.source.group == Rule.group
        for words in _words(schema["$defs"], is_rule=is_rule):
            words.extend([one.source.name] if is_rule else one.source.codes)
    return schema


def _words(tables: dict[str, Any], *, is_rule: bool) -> list[list[str]]:
    """Give the lists of known words: those of every `rule`, or those of every `allow`."""
    if is_rule:
        keys = [tables[table]["properties"]["rule"] for table in ("Target", "TargetChanges")]
    else:
        keys = [tables[table]["properties"]["allow"]["items"] for table in ("ProjectSettings", "Role")]
    return [key["anyOf"][0]["enum"] for key in keys]
