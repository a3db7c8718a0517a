"""`stager schema`: the JSON Schema of the project file."""

from stager.cli.exits import Exit
from stager.cli.screen import print_json
from stager.project import project_schema


def run() -> Exit:
    """Print it."""
    print_json(project_schema())
    return Exit.DONE
