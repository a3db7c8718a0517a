"""`stager schema`: the JSON Schema of the project file."""

from stager.cli.exits import Exit
from stager.cli.screen import print_json
from stager.steps.catalogue import installed
from stager.steps.schema import full_schema


def run() -> Exit:
    """Print it."""
    print_json(full_schema(installed()))
    return Exit.DONE
