"""A loaded project: its places, its settings, and what holds for one stem."""

import json
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from stager.model import OWN_RULES, PluginUse, Target
from stager.model.limits import Limits
from stager.project.copy_name import filled_name
from stager.project.patterns import is_hidden, matches_any
from stager.project.settings import CopySettings, Link, Role, Settings
from stager.system.printable import shown


@dataclass(frozen=True)
class StemSettings:
    """What a project asks for one stem, which `stem` names by its printable path; `role` and `link` are names.

    `rule` is the plug-in whose rule decides the trim, None where a rule of ours does; `plugins` are those used for the
    stem, and `folder`, the project's, is where they run.
    """

    stem: str
    role: str | None
    link: str | None
    target: Target
    rule: PluginUse | None
    limits: Limits
    allowed: frozenset[str]
    copy: CopySettings
    bus_offset_db: float
    plugins: tuple[PluginUse, ...]
    folder: Path

    def plugins_of(self, kind: str) -> tuple[PluginUse, ...]:
        """Return the plug-ins of a kind (meter, check, rule, step), in order."""
        return tuple(use for use in self.plugins if use.source.kind == kind)


@dataclass(frozen=True)
class Project:
    """One song's project file, read and checked.

    `file` and `folder` are absolute; `inbox`, `outbox`, `takes` and `state` are absolute with all links followed, and
    need not exist. A `stem` is always a path below the inbox with `/`. `bus_offset_db` is what the mix bus asked of
    every trim so far, 0 where `[bus] apply` is off; `plugins` are those in force, in order.
    """

    file: Path
    folder: Path
    settings: Settings
    inbox: Path
    outbox: Path
    takes: Path | None
    state: Path
    bus_offset_db: float = 0.0
    plugins: tuple[PluginUse, ...] = ()

    @property
    def name(self) -> str:
        """The song's name: as the file says, else the folder's."""
        return self.settings.project.name or shown(self.folder.name) or "untitled"

    def for_stem(self, stem: str) -> StemSettings:
        """Return all that is asked for one stem."""
        role, link = self.role_for(stem), self.link_for(stem)
        return StemSettings(
            stem,
            role.name if role else None,
            link.name if link else None,
            self.target_for(stem),
            self.rule_for(stem),
            self.limits_for(stem),
            self.allowed_for(stem),
            self.settings.copy_,
            self.bus_offset_db,
            tuple(use for use in self.plugins if matches_any(stem, use.match)),
            self.folder,
        )

    def includes(self, stem: str) -> bool:
        """Return whether a name in the inbox counts as a stem.

        It does where it matches `include`, does not match `exclude`, and no part of its path starts with `.` or `~`.
        """
        rules = self.settings.project
        return not is_hidden(stem) and matches_any(stem, rules.include) and not matches_any(stem, rules.exclude)

    def roles_for(self, stem: str) -> tuple[Role, ...]:
        """Return every role whose patterns match, in the order of the file; the first is the stem's role."""
        return tuple(role for role in self.settings.roles if matches_any(stem, role.match))

    def role_for(self, stem: str) -> Role | None:
        """Return the stem's role, or None."""
        return next(iter(self.roles_for(stem)), None)

    def link_for(self, stem: str) -> Link | None:
        """Return the link that a stem belongs to, the first in the file that matches, or None."""
        return next((link for link in self.settings.links if matches_any(stem, link.match)), None)

    def link_target(self, link: Link) -> Target:
        """Return a link's target: `[target]` with the link's changes; its members' roles do not count."""
        return link.target.over(self.settings.target.plain())

    def target_for(self, stem: str) -> Target:
        """Return a stem's target: its link's, or `[target]` with its role's changes."""
        if link := self.link_for(stem):
            return self.link_target(link)
        role = self.role_for(stem)
        base = self.settings.target.plain()
        return role.target.over(base) if role else base

    def limits_for(self, stem: str) -> Limits:
        """Return the thresholds of findings for a stem: those of its role, or the defaults."""
        role = self.role_for(stem)
        return role.limits if role else Limits()

    def allowed_for(self, stem: str) -> frozenset[str]:
        """Return the finding codes that are deliberate in a stem: the project's, its role's, and its own."""
        role = self.role_for(stem)
        return frozenset((*self.settings.project.allow, *(role.allow if role else ()), *self._own_allowed(stem)))

    def _own_allowed(self, stem: str) -> list[str]:
        """Return the codes of every `[[allow]]` that matches a stem."""
        return [allow.code for allow in self.settings.allowed if matches_any(stem, allow.match)]

    def plugins_for(self, stem: str, kind: str) -> tuple[PluginUse, ...]:
        """Return the plug-ins of a kind (meter, check, rule, step) that are used for a stem, in order."""
        return tuple(use for use in self.plugins if use.source.kind == kind and matches_any(stem, use.match))

    def rule_for(self, stem: str) -> PluginUse | None:
        """Return the plug-in whose rule decides a stem's trim: the first that matches it, or the one its target names.

        None where the rule is ours, and for stems of a link and those that are left as they are.
        """
        rule = self.target_for(stem).rule
        if rule == "leave" or self.link_for(stem):
            return None
        named = (use for use in self.plugins if use.source.kind == "rule" and use.source.name == rule and not use.match)
        return next(iter(self.plugins_for(stem, "rule")), None if rule in OWN_RULES else next(named, None))

    def settings_sha256_for(self, stem: str) -> str:
        """Return the hash of the settings in force for one stem; where it changed, the stem's copy is out of date.

        Other roles, the order of keys, comments, and keys that affect neither copy nor findings do not change it.
        """
        text = json.dumps(self._in_force(stem), sort_keys=True, separators=(",", ":"))
        return sha256(text.encode()).hexdigest()

    def _in_force(self, stem: str) -> dict[str, Any]:
        role, link = self.role_for(stem), self.link_for(stem)
        rule = self.rule_for(stem)
        used = [use for use in self.plugins if use is rule or matches_any(stem, use.match)]
        return {
            **({"link": link.name} if link else {}),
            **({"bus_offset_db": self.bus_offset_db} if self.bus_offset_db else {}),
            **({"plugins": [[use.source.kind, *use.stamp().model_dump().values()] for use in used]} if used else {}),
            "target": self.target_for(stem).model_dump(),
            "role": {
                "name": role.name,
                "allow": sorted(role.allow),
                "limits": role.limits.model_dump(exclude_unset=True),
            }
            if role
            else None,
            "allow": sorted([*self.settings.project.allow, *self._own_allowed(stem)]),
            "recording": self.settings.recording.model_dump(exclude={"learn"}),
            "copy": self.settings.copy_.model_dump(),
        }

    def copy_name(self, stem: str, *, encoding: str, sample_rate_hz: int) -> str:
        """Return the path of a stem's copy below the outbox, with `/`; `encoding` is the copy's, such as `PCM_24`."""
        role = self.role_for(stem)
        return filled_name(
            self.settings.copy_.name,
            stem,
            role=role.name if role else None,
            encoding=encoding,
            sample_rate_hz=sample_rate_hz,
        )
