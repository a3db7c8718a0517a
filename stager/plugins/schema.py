"""The JSON Schema of the project file with the settings of every plug-in that was found."""

from collections.abc import Iterable
from typing import Any

from stager.plugins.catalogue import Found
from stager.plugins.groups import RULES, STEPS
from stager.project import project_schema


def full_schema(found: Iterable[Found]) -> dict[str, Any]:
    """Return the schema: in `[[step]]` and `[[plugin]]`, what `use` names decides which settings there are.

    A target's `rule` may be one of the rules found, and `allow` has the codes of the checks found.
    """
    schema = project_schema()
    for one in found:
        if one.fault:
            continue
        table = schema["$defs"]["Step" if one.source.group == STEPS else "Plugin"]
        inner = dict(one.schema)
        schema["$defs"].update(inner.pop("$defs", {}))
        settings = {key: inner[key] for key in ("properties", "required") if key in inner}
        case = {"if": {"properties": {"use": {"const": one.source.name}}, "required": ["use"]}, "then": settings}
        table.setdefault("allOf", []).append(case)
        table["properties"]["use"].setdefault("examples", []).append(one.source.name)
        is_rule = one.source.group == RULES
        for words in _words(schema["$defs"], is_rule=is_rule):
            words.extend([one.source.name] if is_rule else one.source.codes)
    return schema


def _words(tables: dict[str, Any], *, is_rule: bool) -> list[list[str]]:
    """Return the word lists of the schema: of every `rule`, or of every `allow`."""
    if is_rule:
        keys = [tables[table]["properties"]["rule"] for table in ("TargetTable", "TargetChanges")]
    else:
        keys = [tables[table]["properties"]["allow"]["items"] for table in ("ProjectSettings", "Role")]
        keys.append(tables["Allow"]["properties"]["code"])
    return [key["anyOf"][0]["enum"] for key in keys]
