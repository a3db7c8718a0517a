"""`stager allow CODE STEM...`: notes in the project file that a finding is deliberate in these stems."""

from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import get_args

from stager.cli.edit import change, undo
from stager.cli.exits import Exit
from stager.errors import ConfigError
from stager.plugins.projects import load_project
from stager.project import FindingCode, Project
from stager.project.edit import with_allowed
from stager.project.inbox import stems_in
from stager.system.printable import on_screen, shown


def run(*, code: str | None, stems: Sequence[str], project: Path, yes: bool, take_back: bool) -> Exit:
    """Allow a finding, or take the last change of the file back.

    Raises:
        ConfigError: for a code or a stem that there is none of.
    """
    loaded = load_project(project)
    if take_back:
        return undo(loaded)
    if code is None or not stems:
        raise ConfigError("expected a finding code and at least one stem, such as: stager allow mono_loss pad.wav")
    known = {*get_args(FindingCode), *(own for use in loaded.plugins for own in use.source.codes)}
    if code not in known:
        raise ConfigError(f"expected a finding code, found {on_screen(code)!r}{_near(code, known)}")
    names = [_stem(loaded, stem) for stem in stems]
    return change(loaded, lambda text: with_allowed(text, code, names), yes=yes)


def _stem(project: Project, name: str) -> str:
    """Return a stem's path below the inbox, given that path or the file's name alone."""
    there = list(map(shown, stems_in(project)))
    found = [stem for stem in there if name in (stem, stem.rpartition("/")[2])]
    if len(found) == 1 or name in found:
        return name if name in found else found[0]
    if found:
        raise ConfigError(f"expected one stem, found {len(found)} of this name: {on_screen(', '.join(found[:5]))}")
    raise ConfigError(f"expected a stem of the inbox, found {on_screen(name)!r}{_near(name, set(there))}")


def _near(word: str, known: set[str]) -> str:
    near = get_close_matches(word, sorted(known), n=1)
    return f"; did you mean {on_screen(near[0])!r}?" if near else ""
