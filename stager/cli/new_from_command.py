"""`stager new --from FOLDER`: a project whose roles and links are proposed from the files that lie in a folder."""

from pathlib import Path

from stager.api import measure
from stager.cli.exits import Exit
from stager.cli.new_command import make_project, place_of
from stager.cli.proposed_roles import lines_of, proposed
from stager.cli.screen import say
from stager.errors import ConfigError, StemError
from stager.project import NewProject, new_project_text
from stager.project.inbox import audio_files_below
from stager.project.template import commented
from stager.system.files import is_folder
from stager.system.printable import shown

PROPOSED = """
# Proposed from the names and the crests of what lies in {folder}{how}.

"""


def run(*, folder: Path, source: Path, accept: bool) -> Exit:
    """Make a project from what lies in `source`; an existing project file is left unchanged.

    Raises:
        ConfigError: where there is a project, or `source` is no folder.
    """
    place = place_of(folder)
    return make_project(place, _text_from(place, source, accept=accept))


def _text_from(place: Path, source: Path, *, accept: bool) -> str:
    """Return the text of a project file whose inbox is `source`, with roles and links proposed from its files.

    They are commented out unless `accept`. Measures every file.

    Raises:
        ConfigError: where `source` is no folder.
    """
    if not is_folder(source):
        raise ConfigError(f"{shown(source)}: expected a folder of bounced stems, found none")
    inbox = source.absolute()
    inside = inbox.is_relative_to(place.parent) and inbox != place.parent
    named = inbox.relative_to(place.parent) if inside else inbox
    lines = lines_of(proposed(_crests_db(inbox)))
    text = new_project_text(place.parent.name, NewProject(inbox=shown(named)))
    if not lines:
        return text
    how = "" if accept else "; take the # away from what is right"
    return text + PROPOSED.format(folder=shown(named), how=how) + (lines if accept else commented(lines))


def _crests_db(folder: Path) -> dict[str, float | None]:
    """Return the crest of every audio file below a folder that can be measured; the others are named."""
    found: dict[str, float | None] = {}
    for name in audio_files_below(folder):
        try:
            found[shown(name)] = measure(folder / name).levels.crest_db
        except StemError as error:
            say(f"left out: {error}")
    return found
