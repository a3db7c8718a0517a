"""`stager new`: a commented project file with its folders."""

from pathlib import Path
from shlex import quote

from stager.cli.exits import Exit
from stager.cli.screen import say
from stager.errors import ConfigError
from stager.files import make_folder, write_new
from stager.names import shown
from stager.project import PROJECT_FILE, load_project, new_project_text


def run(*, folder: Path) -> Exit:
    """Make a project; a project file that is there already stays as it is."""
    place = folder.absolute() / PROJECT_FILE
    try:
        write_new(place, new_project_text(place.parent.name).encode())
    except FileExistsError as error:
        raise ConfigError(f"{shown(place)}: expected no project yet, found one; it stays as it is") from error
    project = load_project(place)
    make_folder(project.inbox)
    make_folder(project.outbox)
    say(f"Wrote {shown(place)}.")
    say(f"Bounce stems into {shown(project.inbox)}, then: stager stage {quote(shown(folder))}")
    say(f"Trimmed copies appear in {shown(project.outbox)}; originals stay as they are.")
    return Exit.DONE
