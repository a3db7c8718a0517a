"""The JSON Schema of the project file with the settings of every plug-in that was found."""

from collections.abc import Iterable
from typing import Any

from stager.project import project_schema
from stager.steps.catalogue import Found
from stager.steps.kinds import Step


def full_schema(found: Iterable[Found]) -> dict[str, Any]:
    """Give the schema: in `[[step]]` and `[[plugin]]`, what `use` names decides which settings there are."""
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
    return schema
