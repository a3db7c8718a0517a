"""Which plug-ins there are: those that installed packages announce, ours among them, and those in a project's files.

Ours are announced in the same way. What isn't ours is never imported here: its worker says what it is.
"""

import importlib.metadata
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from stager import __version__
from stager.errors import StepFailed
from stager.files import read_whole
from stager.model import PluginSource
from stager.steps.describing import Says, checked, description, plugin_of
from stager.steps.isolation import LIMITS, Limits, worker
from stager.steps.kinds import KINDS, Plugin

OWN_PACKAGE: Final = "stager"


@dataclass(frozen=True)
class Found:
    """A plug-in that was found: where it is, its settings' schema, and one sentence of its own.

    `fault` says why it can't be used; the rest is then empty.
    """

    source: PluginSource
    schema: Mapping[str, Any] = field(default_factory=dict)
    says: str = ""
    fault: str = ""


def installed(limits: Limits = LIMITS) -> list[Found]:
    """Give every plug-in that an installed package announces, by kind and name; one that isn't ours starts a worker."""
    return [
        _described(entry, limits)
        for group in sorted(kind.group for kind in KINDS)
        for entry in sorted(importlib.metadata.entry_points(group=group), key=lambda entry: entry.name)
    ]


def named(group: str, name: str, limits: Limits = LIMITS) -> list[Found]:
    """Give the installed plug-ins of a kind and name; more than one where two packages use the same name."""
    entries = importlib.metadata.entry_points(group=group, name=name)
    return [_described(entry, limits) for entry in entries]


def installed_names(group: str) -> list[str]:
    """Give the names of a kind that installed packages announce; no code of theirs runs."""
    return sorted({entry.name for entry in importlib.metadata.entry_points(group=group)})


def in_file(file: Path, folder: Path, limits: Limits = LIMITS) -> list[Found]:
    """Give the plug-ins of a Python file, which runs in a worker.

    Raises:
        StepFailed: where there is none, or the file can't be run.
    """
    content = read_whole(file)
    if content is None:
        raise StepFailed(f"{file.name}: expected a Python file that can be read")
    digest = sha256(content).hexdigest()[:12]
    source = PluginSource(group="", name="", version=digest, origin=file.name, file=str(file))
    with worker(source, folder, file.name, limits) as process:
        plugins = process.ask("describe")[0]["plugins"]
        found = [_told(source, told, f"{told['version']} ({digest})") for told in plugins]
    if not found:
        raise StepFailed(f"{file.name}: expected a meter, check, rule or step in it, found none")
    return found


def check_settings(
    source: PluginSource, settings: Mapping[str, Any], folder: Path, limits: Limits = LIMITS
) -> tuple[dict[str, Any], list[Says]]:
    """Give all settings of a plug-in, those left out too; or what is wrong with the given ones.

    Raises:
        StepFailed: where the plug-in can't be asked.
    """
    if source.own:
        return checked(own_plugin(source), settings)
    with worker(source, folder, source.name, limits) as process:
        answer, _ = process.ask("check", settings=dict(settings))
    return answer["settings"], [(tuple(where), says) for where, says in answer["errors"]]


def own_plugin(source: PluginSource) -> type[Plugin]:
    """Load one of our own plug-ins."""
    return _own(source.group, source.name, source.entry)


@cache
def _own(group: str, name: str, entry: str) -> type[Plugin]:
    return plugin_of(importlib.metadata.EntryPoint(name, entry, group).load(), group, name)


def _described(entry: importlib.metadata.EntryPoint, limits: Limits) -> Found:
    package = entry.dist.name if entry.dist else "?"
    version = entry.dist.version if entry.dist else "?"
    own = package == OWN_PACKAGE and entry.value.startswith(f"{OWN_PACKAGE}.")
    source = PluginSource(
        group=entry.group,
        name=entry.name,
        version=__version__ if own else version,
        origin=f"{package} {version}",
        entry=entry.value,
        own=own,
    )
    if own:
        return _told(source, description(own_plugin(source)), source.version)
    return _asked(source, limits)


def _asked(source: PluginSource, limits: Limits) -> Found:
    try:
        with worker(source, Path.cwd(), f"{source.name} of {source.origin}", limits) as process:
            told = process.ask("describe")[0]["plugins"][0]
    except StepFailed as error:
        return Found(source, fault=str(error))
    return _told(source, told, source.version)


def _told(source: PluginSource, told: Mapping[str, Any], version: str) -> Found:
    changes = {
        "group": str(told["group"]),
        "name": str(told["name"]),
        "version": version,
        "deterministic": bool(told["deterministic"]),
        "isolated": not source.own or bool(told["isolated"]),
        "codes": tuple(map(str, told["codes"])),
    }
    return Found(source.model_copy(update=changes), told["schema"], str(told["says"]))
