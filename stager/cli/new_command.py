"""`stager new`: writes a commented project file and makes its folders."""

import json
import sys
from pathlib import Path
from shlex import quote

from stager.cli.exits import Exit
from stager.cli.screen import say
from stager.errors import ConfigError
from stager.project import PROJECT_FILE, NewProject, load_project, new_project_text, project_schema
from stager.project.load import check_text
from stager.project.template import SCHEMA_NAME, with_schema
from stager.system.files import make_folder, write_new, write_whole
from stager.system.printable import shown


def run(*, folder: Path, accept: bool) -> Exit:
    """Make a project with what a person at a terminal answers; an existing project file is left unchanged.

    Raises:
        ConfigError: where there is a project, or nothing to accept, or an answer names an impossible folder.
    """
    place = place_of(folder)
    if accept:
        raise ConfigError("expected --from FOLDER beside --accept: what lies there is what is accepted")
    return make_project(place, new_project_text(place.parent.name, _asked()))


def place_of(folder: Path) -> Path:
    """Return the path of the project file that a folder is to have.

    Raises:
        ConfigError: where it has one.
    """
    place = folder.absolute() / PROJECT_FILE
    if place.exists():
        raise ConfigError(f"{shown(place)}: expected no project yet, found one; it stays as it is")
    return place


def make_project(place: Path, project_text: str) -> Exit:
    """Write a project file, make its folders, and say where stems go and copies appear.

    Raises:
        ConfigError: where there is a project by now, or the text names an impossible folder.
    """
    text = with_schema(project_text)
    check_text(place, text)
    try:
        write_new(place, text.encode())
    except FileExistsError as error:
        raise ConfigError(f"{shown(place)}: expected no project yet, found one; it stays as it is") from error
    project = load_project(place)
    for needed in (project.inbox, project.outbox, project.state):
        make_folder(needed)
    write_whole(project.state / SCHEMA_NAME, json.dumps(project_schema(), indent=1).encode())
    say(f"Wrote {shown(place)}.")
    say(f"Bounce stems into {shown(project.inbox)}, then: stager stage {quote(shown(place.parent))}")
    say(f"Trimmed copies appear in {shown(project.outbox)}; originals stay as they are.")
    return Exit.DONE


def _asked() -> NewProject:
    """Return the answers of a person at a terminal, each with a default; nobody else is asked."""
    if not (sys.stdin and sys.stdin.isatty() and sys.stderr.isatty()):
        return NewProject()
    takes = _answer("Folder that your recorder writes takes into, to judge them there [none]: ")
    inbox = _answer("Folder that you bounce stems into [bounces]: ")
    drums = _answer("Are drums or other struck parts in the song? [Y/n] ")
    is_without = drums.casefold() in ("n", "no")
    return NewProject(_folder(inbox) if inbox else "bounces", _folder(takes) if takes else None, not is_without)


def _answer(question: str) -> str:
    print(question, end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip()


def _folder(answer: str) -> str:
    return shown(Path(answer).expanduser())
