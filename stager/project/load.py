"""From a path to a `Project`, or to a `ConfigError` that tells everything that is wrong with the file at once."""

import errno
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from stager.errors import ConfigError
from stager.model import ANY_WORDS, PluginUse, Words
from stager.model.words import Names, no_names
from stager.project.checks import target_faults, version_fault
from stager.project.faults import Fault, config_error, model_faults
from stager.project.lines import key_lines
from stager.project.places import FOLDER_KEYS, PROJECT_FILE, Places, place_faults, places_of
from stager.project.project import Project
from stager.project.settings import ProjectSettings, Settings


@dataclass(frozen=True)
class PluginsRead:
    """The plug-ins that settings name, what is wrong with them, and the words that they bring to the settings."""

    uses: tuple[PluginUse, ...] = ()
    faults: tuple[Fault, ...] = ()
    words: Words = field(default_factory=Words)


@dataclass(frozen=True)
class PluginReader:
    """Reads the plug-ins that settings name, for a project in a folder; `rules` gives the names of installed rules."""

    read: Callable[[Settings, Places, Path], PluginsRead]
    rules: Names = no_names


def no_plugins(settings: Settings, _: Places, __: Path) -> PluginsRead:
    """Refuse every plug-in: what is loaded by this room alone has none."""
    tables = (("step", settings.steps), ("plugin", settings.plugins))
    places = [(kind, place) for kind, entries in tables for place in range(len(entries))]
    says = "plug-ins are not read here"
    return PluginsRead(faults=tuple(Fault((kind, n), f"[[{kind}]] {n + 1}: {says}") for kind, n in places))


NO_PLUGINS: Final = PluginReader(no_plugins)


def load_project(path: Path, plugins: PluginReader = NO_PLUGINS) -> Project:
    """Read and check a project file; `path` is that file, or the folder that holds a `stager.toml`.

    Whether inbox and outbox exist is not looked at. `plugins` finds what steps, plug-ins and targets' rules name, once
    all else is right; words that only a `[[plugin]]` may bring are looked at then, too.

    Raises:
        ConfigError: where there is no such file, it can't be read, or anything in it is wrong: one line for each
            fault, with file, line, key, what was expected and what was found, in the order of the file.
    """
    file, text = _read(path)
    data = _parsed(file, text)
    folder = file.parent.resolve()
    words = ANY_WORDS if data.get("plugin") else Words(rules=plugins.rules)
    if faults := _faults(data, folder, words):
        raise config_error(file, faults, key_lines(text))
    settings = Settings.model_validate(data, context=words)
    places = places_of(settings.project, folder)
    read = plugins.read(settings, places, folder)
    if faults := [*read.faults] or model_faults(data, read.words):
        raise config_error(file, faults, key_lines(text))
    return Project(file=folder / file.name, folder=folder, settings=settings, plugins=read.uses, **asdict(places))


def _read(path: Path) -> tuple[Path, str]:
    """Give the project file that a path means, and its text; a byte order mark, as some editors write it, goes."""
    file = path
    try:
        file = path / PROJECT_FILE if path.is_dir() else path
        content = b"" if _is_odd(file) else file.read_bytes()
    except OSError as error:
        raise ConfigError(unread_sentence(path, file, error)) from error
    try:
        return file, content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise ConfigError(f"{file}:{line}: expected text in UTF-8, found byte {content[error.start]:#04x}") from error


def _is_odd(file: Path) -> bool:
    """Whether something lies there that is no regular file, such as a pipe that would let us wait for ever.

    Raises:
        OSError: always, where it is.
    """
    if file.exists() and not file.is_file():
        raise OSError(errno.EINVAL, "it is no regular file")
    return False


def unread_sentence(path: Path, file: Path, error: OSError) -> str:
    """Say why a project file could not be read, and what to do about it."""
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        folder = path if file != path else path.parent
        wanted = path if path.suffix != ".toml" else folder
        return f"no project file at {file}; `stager new {wanted}` makes one"
    if isinstance(error, PermissionError):
        return f"no permission to read {file}; give yourself read access to it and to the folders above it"
    return f"{file} can't be read as a project file: {error.strerror or error}"


def _parsed(file: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ConfigError(f"{file}: expected a plain file, found lists nested too deeply to read") from None
    except ValueError as error:
        raise ConfigError(_syntax_sentence(file, text, str(error))) from error


def _syntax_sentence(file: Path, text: str, says: str) -> str:
    """Put the place that the parser names at the end of its message in front; it counts the end as no line."""
    place = re.search(r" \(at line (\d+), column (\d+)\)$", says)
    line = int(place[1]) if place else text.rstrip("\n").count("\n") + 1
    column = f", column {place[2]}" if place else ""
    return f"{file}:{line}: not valid TOML{column}: {says[: place.start()] if place else says}"


def _faults(data: Mapping[str, Any], folder: Path, words: Words | str) -> list[Fault]:
    if other_version := version_fault(data):
        return [other_version]
    return [*model_faults(data, words), *target_faults(data, words), *_folder_faults(data, folder)]


def _folder_faults(data: Mapping[str, Any], folder: Path) -> list[Fault]:
    """Give the folders that may not meet, where each of their names is sound in itself."""
    table = data.get("project", {})
    named = {key: table[key] for key in FOLDER_KEYS if key in table} if isinstance(table, dict) else {}
    try:
        return list(place_faults(places_of(ProjectSettings.model_validate(named), folder)))
    except ValidationError:
        return []
