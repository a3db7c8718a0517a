"""Finds plug-ins: entry points of installed packages, the built-in ones among them, and a project's own files.

Foreign code is never imported into this process: a worker process imports and describes it.
"""

import importlib.metadata
from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from stager.errors import StepFailed
from stager.model import PluginSource
from stager.plugins.effects.settings import OWN_STEPS
from stager.plugins.groups import GROUPS, Says, checked
from stager.plugins.isolation import LIMITS, Label, Limits, worker
from stager.system.files import read_whole
from stager.system.version import VERSION

OWN_PACKAGE: Final = "stager"


@dataclass(frozen=True)
class Found:
    """A plug-in that was found: where it is, its settings' schema, and the first line of its docstring.

    `fault` says why it can't be used; the rest is then empty.
    """

    source: PluginSource
    schema: Mapping[str, Any] = field(default_factory=dict)
    says: str = ""
    fault: str = ""


def installed(limits: Limits = LIMITS) -> list[Found]:
    """Return every installed plug-in, sorted by kind and name; each foreign one is described by a worker process."""
    return [
        _described(entry, limits)
        for group in sorted(GROUPS)
        for entry in sorted(importlib.metadata.entry_points(group=group), key=lambda entry: entry.name)
    ]


def named(group: str, name: str, limits: Limits = LIMITS) -> list[Found]:
    """Return the installed plug-ins of this kind and name; several where two packages use one name."""
    entries = importlib.metadata.entry_points(group=group, name=name)
    return [_described(entry, limits) for entry in entries]


def installed_names(group: str) -> list[str]:
    """Return the names of all installed plug-ins of a kind, without running any of their code."""
    return sorted({entry.name for entry in importlib.metadata.entry_points(group=group)})


def in_file(file: Path, folder: Path, limits: Limits = LIMITS) -> list[Found]:
    """Return the plug-ins of a Python file, which is run in a worker process.

    Raises:
        StepFailed: where there is none, or the file can't be run.
    """
    content = read_whole(file)
    if content is None:
        raise StepFailed("", f"{file.name}: expected a Python file that can be read")
    digest = sha256(content).hexdigest()[:12]
    source = PluginSource(group="", name="", version=digest, origin=file.name, file=str(file))
    with worker(source, folder, Label(file.name), limits) as process:
        plugins = process.ask("describe")[0]["plugins"]
        found = [_with_description(source, described, f"{described['version']} ({digest})") for described in plugins]
    if not found:
        raise StepFailed("", f"{file.name}: expected a meter, check, rule or step in it, found none")
    return found


def check_settings(
    source: PluginSource, settings: Mapping[str, Any], folder: Path, limits: Limits = LIMITS
) -> tuple[dict[str, Any], list[Says]]:
    """Return all settings of a plug-in with defaults filled in, and what is wrong with the given ones.

    Raises:
        StepFailed: where the plug-in can't be asked.
    """
    if source.own:
        return checked(OWN_STEPS[source.name].settings, settings)
    with worker(source, folder, Label(source.name), limits) as process:
        answer, _ = process.ask("check", settings=dict(settings))
    return answer["settings"], [(tuple(where), says) for where, says in answer["errors"]]


def _described(entry: importlib.metadata.EntryPoint, limits: Limits) -> Found:
    package = entry.dist.name if entry.dist else "?"
    version = entry.dist.version if entry.dist else "?"
    own = package == OWN_PACKAGE and entry.value.startswith(f"{OWN_PACKAGE}.")
    source = PluginSource(
        group=entry.group,
        name=entry.name,
        version=VERSION if own else version,
        origin=f"{package} {version}",
        entry=entry.value,
        own=own,
    )
    if own:
        return _with_description(source, OWN_STEPS[source.name].description(source.name), source.version)
    return _described_by_worker(source, limits)


def _described_by_worker(source: PluginSource, limits: Limits) -> Found:
    try:
        with worker(source, Path.cwd(), Label(f"{source.name} of {source.origin}"), limits) as process:
            described = process.ask("describe")[0]["plugins"][0]
    except StepFailed as error:
        return Found(source, fault=str(error))
    return _with_description(source, described, source.version)


def _with_description(source: PluginSource, described: Mapping[str, Any], version: str) -> Found:
    changes = {
        "group": str(described["group"]),
        "name": str(described["name"]),
        "version": version,
        "deterministic": bool(described["deterministic"]),
        "isolated": not source.own or bool(described["isolated"]),
        "codes": tuple(map(str, described["codes"])),
    }
    return Found(source.model_copy(update=changes), described["schema"], str(described["says"]))
