"""What a plug-in class says of itself: found in a module, its settings' schema, and whether given settings fit it.

Used here for our own, and in the worker for everybody else's.
"""

import inspect
from collections.abc import Mapping
from types import ModuleType
from typing import Any

from pydantic import ValidationError

from stager.project.faults import setting_says
from stager.steps.kinds import KINDS, Check, Plugin, Step

Says = tuple[tuple[str | int, ...], str]
"""What is wrong with one setting: the way to it, and a sentence."""


def plugin_of(found: object, group: str, name: str) -> type[Plugin]:
    """Give what an entry point or file led to, where it is a plug-in of this kind and name.

    Raises:
        ValueError: where it is not.
    """
    if not inspect.isclass(found) or not issubclass(found, Plugin) or found.group != group:
        raise ValueError(f"expected a {group.removeprefix('stager.').removesuffix('s')}, found {found!r}")
    if inspect.isabstract(found):
        raise ValueError(f"{found.__name__} leaves out {', '.join(sorted(found.__abstractmethods__))}")
    if getattr(found, "name", None) != name:
        raise ValueError(f"expected a plug-in that calls itself {name}, found {getattr(found, 'name', None)!r}")
    return found


def plugins_in(module: ModuleType) -> list[type[Plugin]]:
    """Give the plug-ins that a module defines, in the order of its lines."""
    return [
        found
        for found in vars(module).values()
        if inspect.isclass(found)
        and issubclass(found, KINDS)
        and found.__module__ == module.__name__
        and hasattr(found, "name")
    ]


def description(plugin: type[Plugin]) -> dict[str, Any]:
    """Give what is known of a plug-in without running it, as plain data."""
    return {
        "group": plugin.group,
        "name": plugin.name,
        "version": str(plugin.version),
        "deterministic": bool(plugin.deterministic) if issubclass(plugin, Step) else True,
        "isolated": bool(plugin.isolated),
        "codes": codes_of(plugin),
        "schema": plugin.settings.model_json_schema(),
        "says": inspect.cleandoc(plugin.__doc__ or "").partition("\n")[0],
    }


def codes_of(plugin: type[Plugin]) -> list[str]:
    """Give the codes that the findings of a check may have."""
    if not issubclass(plugin, Check):
        return []
    return [plugin.codes] if isinstance(plugin.codes, str) else [str(code) for code in plugin.codes or [plugin.name]]


def checked(plugin: type[Plugin], settings: Mapping[str, Any]) -> tuple[dict[str, Any], list[Says]]:
    """Give all settings, those left out too, as plain data; or what is wrong with the given ones."""
    try:
        made = plugin.settings.model_validate(dict(settings))
    except ValidationError as error:
        known = tuple(plugin.settings.model_fields)
        return {}, [(tuple(details["loc"]), setting_says(details, known)) for details in error.errors()]
    return made.model_dump(mode="json"), []
