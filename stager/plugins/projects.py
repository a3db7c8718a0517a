"""Loads a project with its plug-ins: finds each, checks its settings, and reports faults with their lines.

`project/` reads the tables without knowing plug-ins; this module hands it the function that reads them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from stager import project
from stager.errors import StepFailed
from stager.model import OWN_RULES, PluginUse, Words
from stager.plugins.catalogue import Found, check_settings, in_file, installed_names, named
from stager.plugins.groups import GROUPS, RULES, STEPS
from stager.project import Fault, Places, PluginReader, PluginsRead, Project, Settings, is_within

OTHER_GROUPS: Final = tuple(group for group in GROUPS if group != STEPS)
Where = tuple[str | int, ...]


def load_project(path: Path) -> Project:
    """Read and check a project file with the plug-ins that it names, as `project.load_project` does.

    Raises:
        ConfigError: for all that is wrong, plug-ins that aren't there and settings that don't fit included.
    """
    return project.load_project(path, PluginReader(plugins_of, _installed_rules))


def _installed_rules() -> list[str]:
    return installed_names(RULES)


def plugins_of(settings: Settings, places: Places, folder: Path) -> PluginsRead:
    """Return the plug-ins in force in the order of the file, then steps, then rules that only targets name.

    The result also holds their faults, and the words that they bring to `rule` and `allow`.
    """
    reading = _Reading(places, folder)
    files = {place: reading.file(place, plugin.file) for place, plugin in enumerate(settings.plugins) if plugin.file}
    everywhere = [found for inside in files.values() for found in inside]
    for place, plugin in enumerate(settings.plugins):
        where: Where = ("plugin", place)
        if plugin.use:
            inside = files.get(place) if plugin.file else everywhere
            known = reading.known((*where, "use"), plugin.use, OTHER_GROUPS, inside or [], only_files=bool(plugin.file))
            if known and not plugin.match and known.source.group != RULES:
                says = f"{_key(where)}.match: expected at least one entry, found none, which is for rules alone"
                reading.faults.append(Fault((*where, "match"), says))
            reading.use(where, known, plugin.match, plugin.model_extra or {})
        elif plugin.model_extra or not plugin.file:
            reading.faults.append(Fault(where, f"plugin {place + 1}: expected a file, or with `use` a plug-in to use"))
    for place, step in enumerate(settings.steps):
        where = ("step", place)
        known = reading.known((*where, "use"), step.use, (STEPS,), everywhere)
        reading.use(where, known, step.match, step.model_extra or {})
    for where, rule in _rules_of(settings):
        reading.rule(where, rule, everywhere)
    return reading.read(everywhere)


def _rules_of(settings: Settings) -> list[tuple[Where, str]]:
    """Return the plug-in rules that targets name, each once, with the path to it; a link can't name one."""
    named = [(("role", place, "target", "rule"), role.target.rule) for place, role in enumerate(settings.roles)]
    listed: list[tuple[Where, str]] = [(("target", "rule"), settings.target.rule), *named]
    return [
        (where, rule)
        for number, (where, rule) in enumerate(listed)
        if rule not in OWN_RULES and rule not in [other for _, other in listed[:number]]
    ]


@dataclass
class _Reading:
    """The plug-ins and faults found so far."""

    places: Places
    folder: Path
    uses: list[PluginUse] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def file(self, place: int, name: str) -> list[Found]:
        """Return the plug-ins of a file; a file in inbox, outbox or takes is a fault and never run."""
        where, path = ("plugin", place, "file"), self.folder / name
        if self._is_foreign(path):
            says = f"expected a file that no recorder writes, found one in inbox, outbox or takes: {path}"
            self.faults.append(Fault(where, f"plugin.{place + 1}.file: {says}"))
            return []
        try:
            return in_file(path, self.folder)
        except StepFailed as error:
            self.faults.append(Fault(where, f"plugin.{place + 1}.file: {error}"))
            return []

    def known(
        self, where: Where, name: str, groups: Iterable[str], in_files: list[Found], *, only_files: bool = False
    ) -> Found | None:
        """Return the one plug-in of these kinds and this name; none, several, or a faulty one is a fault."""
        found = [one for one in in_files if one.source.name == name and one.source.group in groups]
        found += [] if only_files else [one for group in groups for one in named(group, name)]
        if len(found) == 1 and not found[0].fault:
            return found[0]
        self.faults.append(Fault(where, _not_one(where, name, groups, found, in_files)))
        return None

    def rule(self, where: Where, name: str, in_files: list[Found]) -> None:
        """Put a rule in force that a target names; a `[[plugin]]` that matches nothing may hold its settings.

        An unknown name is reported later, by the check of words.
        """
        is_set = any(use.source.group == RULES and use.source.name == name and not use.match for use in self.uses)
        if is_set or name not in self._rules(in_files):
            return
        known = self.known(where, name, (RULES,), in_files)
        self.use(where, known, (), {})

    def read(self, in_files: list[Found]) -> PluginsRead:
        """Return the plug-ins, faults and words found."""
        codes = {code for use in self.uses for code in use.source.codes}
        words = Words(rules=lambda: self._rules(in_files), codes=lambda: codes)
        return PluginsRead(tuple(self.uses), tuple(self.faults), words)

    def _rules(self, in_files: list[Found]) -> set[str]:
        """Return the names of plug-ins' rules: those in this project's files, and those of installed packages."""
        return {*(one.source.name for one in in_files if one.source.group == RULES), *installed_names(RULES)}

    def use(self, where: Where, known: Found | None, match: tuple[str, ...], given: Mapping[str, Any]) -> None:
        """Put a plug-in in force where its settings are valid, else note the faults."""
        if known is None:
            return
        taken = [
            key for key, value in given.items() if isinstance(value, str) and self._is_foreign(self.folder / value)
        ]
        for key in taken:
            says = "expected no file of the inbox, the outbox or the takes"
            self.faults.append(Fault((*where, key), f"{_key(where)}.{key}: {says}, found {given[key]!r}"))
        try:
            settings, errors = check_settings(known.source, given, self.folder)
        except StepFailed as error:
            self.faults.append(Fault(where, f"{_key(where)}: {error}"))
            return
        for way, says in errors:
            name = ".".join(map(str, way)) or "settings"
            self.faults.append(Fault((*where, *way), f"{_key(where)}.{name}: {says}{_settings_hint(where, known)}"))
        if not errors and not taken:
            self.uses.append(PluginUse(source=known.source, match=match, settings=settings))

    def _is_foreign(self, path: Path) -> bool:
        """Return whether a path exists inside inbox, outbox or takes, where a recorder or `stager` writes."""
        real = path.resolve()
        folders = (self.places.inbox, self.places.outbox, *([self.places.takes] if self.places.takes else []))
        return path.exists() and any(is_within(real, folder) for folder in folders)


def _key(where: Where) -> str:
    return ".".join(str(part + 1 if isinstance(part, int) else part) for part in where)


def _settings_hint(where: Where, known: Found) -> str:
    """Return the hint where the settings of a rule go that a target names, else an empty text."""
    return f'; give it in a [[plugin]] with use = "{known.source.name}" and match = []' if where[-1] == "rule" else ""


def _not_one(where: Where, name: str, groups: Iterable[str], found: list[Found], in_files: list[Found]) -> str:
    """Return the sentence for no such plug-in, several of one name, or one that can't be used."""
    kinds = ", ".join(group.removeprefix("stager.").removesuffix("s") for group in groups)
    start = f'{_key(where)}: expected a {kinds} that is installed or in a file of this project, found "{name}"'
    if len(found) > 1:
        origins = " and ".join(one.source.origin for one in found)
        return f"{start}, which {origins} both have"
    if found:
        return f"{start}: {found[0].fault}"
    names = sorted(
        {*(one.source.name for one in in_files), *(each for group in groups for each in installed_names(group))}
    )
    near = get_close_matches(name, names, n=1)
    return f'{start}; did you mean "{near[0]}"?' if near else f"{start}; there are: {', '.join(names) or 'none'}"
