"""Finds plug-in classes in a module, loads the built-in ones, and describes each as plain data.

Foreign plug-ins are found and described in a worker process.
"""

import importlib.metadata
import inspect
from functools import cache
from types import ModuleType
from typing import Any

from stager.model import PluginSource
from stager.plugins.kinds import KINDS, Check, Plugin, Step


def plugin_of(found: object, group: str, name: str) -> type[Plugin]:
    """Return the object that an entry point or file led to, once it is known to be a plug-in of this kind and name.

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
    """Return the plug-ins that a module defines, in the order of its lines."""
    return [
        found
        for found in vars(module).values()
        if inspect.isclass(found)
        and issubclass(found, KINDS)
        and found.__module__ == module.__name__
        and hasattr(found, "name")
    ]


def description(plugin: type[Plugin]) -> dict[str, Any]:
    """Return the description of a plug-in as plain data, without making an object of it."""
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
    """Return the codes that the findings of a check may have."""
    if not issubclass(plugin, Check):
        return []
    return [plugin.codes] if isinstance(plugin.codes, str) else [str(code) for code in plugin.codes or [plugin.name]]


def own_plugin(source: PluginSource) -> type[Plugin]:
    """Load a built-in plug-in."""
    return _own(source.group, source.name, source.entry)


@cache
def _own(group: str, name: str, entry: str) -> type[Plugin]:
    return plugin_of(importlib.metadata.EntryPoint(name, entry, group).load(), group, name)
