"""Reads a project file into a `Project`, or raises one `ConfigError` that lists every fault of the file."""

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
from stager.project.lines import key_lines, longest_key, longest_number
from stager.project.places import FOLDER_KEYS, PROJECT_FILE, Places, place_faults, places_of
from stager.project.project import Project
from stager.project.settings import ProjectSettings, Settings
from stager.project.slips import slip_hint

MOST_BYTES: Final = 1 << 20
"""The largest project file that is read (own figure: some 10,000 roles)."""
MOST_KEY_PARTS: Final = 32
"""The longest dotted key: no table lies deeper than four, and a parser's time grows with the square of it."""
MOST_NUMBER_CHARACTERS: Final = 400
"""The longest number: 64 bits in binary have 66, a 64-bit float written out has 330."""


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
    """Return a fault for every plug-in that the file names: none can be read without `stager.plugins`."""
    tables = (("step", settings.steps), ("plugin", settings.plugins))
    places = [(kind, place) for kind, entries in tables for place in range(len(entries))]
    says = "plug-ins are not read here"
    return PluginsRead(faults=tuple(Fault((kind, n), f"[[{kind}]] {n + 1}: {says}") for kind, n in places))


NO_PLUGINS: Final = PluginReader(no_plugins)


def load_project(path: Path, plugins: PluginReader = NO_PLUGINS) -> Project:
    """Read and check a project file; `path` is that file, or the folder that holds a `stager.toml`.

    Inbox and outbox need not exist. `plugins` finds what steps, plug-ins and targets' rules name, once everything else
    is valid; words that only a `[[plugin]]` may bring are checked then, too.

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


def check_text(file: Path, text: str) -> None:
    """Check the text of a project file that is not written yet; plug-ins that it names are not looked for.

    Raises:
        ConfigError: for all that would be wrong with the file.
    """
    data = _parsed(file, text)
    if faults := _faults(data, file.parent.resolve(), ANY_WORDS):
        raise config_error(file, faults, key_lines(text))


def _read(path: Path) -> tuple[Path, str]:
    """Return the project file that a path names, and its text without a byte order mark."""
    file = path
    try:
        file = path / PROJECT_FILE if path.is_dir() else path
        content = b"" if _is_odd(file) else file.read_bytes()[: MOST_BYTES + 1]
    except OSError as error:
        raise ConfigError(unread_sentence(path, file, error)) from error
    if len(content) > MOST_BYTES:
        raise ConfigError(f"{file}: expected a project file of at most {MOST_BYTES >> 10} KiB, found a larger one")
    try:
        return file, content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise ConfigError(f"{file}:{line}: expected text in UTF-8, found byte {content[error.start]:#04x}") from error


def _is_odd(file: Path) -> bool:
    """Return whether the path exists but is no regular file, such as a pipe, on which a read would block.

    Raises:
        OSError: always, where it is.
    """
    if file.exists() and not file.is_file():
        raise OSError(errno.EINVAL, "it is no regular file")
    return False


def unread_sentence(path: Path, file: Path, error: OSError) -> str:
    """Return the sentence for a project file that could not be read: why, and what to do about it."""
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        folder = path if file != path else path.parent
        wanted = path if path.suffix != ".toml" else folder
        return f"no project file at {file}; `stager new {wanted}` makes one"
    if isinstance(error, PermissionError):
        return f"no permission to read {file}; give yourself read access to it and to the folders above it"
    return f"{file} can't be read as a project file: {error.strerror or error}"


def _parsed(file: Path, text: str) -> dict[str, Any]:
    parts, line = longest_key(text)
    if parts > MOST_KEY_PARTS:
        raise ConfigError(f"{file}:{line}: expected keys of at most {MOST_KEY_PARTS} parts, found one of {parts}")
    characters, line = longest_number(text)
    if characters > MOST_NUMBER_CHARACTERS:
        raise ConfigError(
            f"{file}:{line}: not valid TOML: expected a number of 64 bits, found one of {characters} characters"
        )
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ConfigError(f"{file}: expected a plain file, found lists nested too deeply to read") from None
    except ValueError as error:
        raise ConfigError(_syntax_sentence(file, text, str(error))) from error


def _syntax_sentence(file: Path, text: str, says: str) -> str:
    """Return a parser's message with its place in front; where the parser names no line, it means the last one.

    A slip that musicians make is told in words that say what to type.
    """
    place = re.search(r" \(at line (\d+), column (\d+)\)$", says)
    line = int(place[1]) if place else text.rstrip("\n").count("\n") + 1
    if hint := slip_hint(text.split("\n")[line - 1]):
        return f"{file}:{line}: {hint}"
    column = f", column {place[2]}" if place else ""
    return f"{file}:{line}: not valid TOML{column}: {says[: place.start()] if place else says}"


def _faults(data: Mapping[str, Any], folder: Path, words: Words | str) -> list[Fault]:
    if other_version := version_fault(data):
        return [other_version]
    return [*model_faults(data, words), *target_faults(data, words), *_folder_faults(data, folder)]


def _folder_faults(data: Mapping[str, Any], folder: Path) -> list[Fault]:
    """Return a fault for each pair of folders that overlap; empty while one of their names is invalid by itself."""
    table = data.get("project", {})
    named = {key: table[key] for key in FOLDER_KEYS if key in table} if isinstance(table, dict) else {}
    try:
        return list(place_faults(places_of(ProjectSettings.model_validate(named), folder)))
    except ValidationError:
        return []
