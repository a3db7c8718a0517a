"""`stager link [PROJECT]`: takes up the links that `check` proposes."""

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from stager.cli.edit import change, undo
from stager.cli.exits import Exit
from stager.cli.screen import say
from stager.judge.link_proposals import link_name
from stager.model import OWN_RULES
from stager.model.pairs import LinkProposal
from stager.plugins.projects import load_project
from stager.project import Project
from stager.project.edit import with_link
from stager.songset import CheckOptions, examine
from stager.staging.bus_offset import with_offset


def run(*, project: Path, yes: bool, take_back: bool) -> Exit:
    """Write every proposed link into the project file, or take the last change of the file back."""
    loaded = with_offset(load_project(project))
    if take_back:
        return undo(loaded)
    proposed = examine(loaded, CheckOptions(jobs=os.cpu_count() or 1)).links_proposed
    if not proposed:
        say("No link to propose: no stems keep one constant lag, or those that do are linked.")
        return Exit.DONE
    return change(loaded, lambda text: _with_links(text, loaded, proposed), yes=yes)


def _with_links(text: str, project: Project, proposed: Sequence[LinkProposal]) -> str:
    taken = {link.name for link in project.settings.links}
    for proposal in proposed:
        name = _free_name(link_name(proposal.match), taken)
        taken.add(name)
        text = with_link(text, name, proposal.match, common_target(project, proposal.match))
    return text


def common_target(project: Project, stems: Sequence[str]) -> Mapping[str, Any]:
    """Return the keys in which the targets of all these stems agree, and differ from [target].

    A link does not take its members' roles, so these keys keep what the members had in common: struck parts stay on
    their peak. A rule that no group can share is left out, with its level.
    """
    base = project.settings.target.plain().model_dump()
    targets = [project.target_for(stem).model_dump() for stem in stems]
    same = {key: value for key, value in targets[0].items() if all(target[key] == value for target in targets)}
    if not {"rule", "level_db"} <= same.keys() or same["rule"] not in OWN_RULES or same["rule"] == "leave":
        same = {key: value for key, value in same.items() if key not in ("rule", "level_db")}
    return {key: value for key, value in same.items() if value != base[key]}


def _free_name(name: str, taken: set[str]) -> str:
    number, free = 1, name
    while free in taken:
        number += 1
        free = f"{name} {number}"
    return free
