"""`stager schema`: the JSON Schema of the project file."""

from stager.cli.exits import Exit
from stager.cli.screen import print_json
from stager.plugins.catalogue import installed
from stager.plugins.schema import full_schema


def run() -> Exit:
    """Print the JSON Schema of the project file."""
    print_json(full_schema(installed()))
    return Exit.DONE
