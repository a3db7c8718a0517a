"""The one offset that the mix bus asks of every trim, kept beside the ledger where `[bus] apply` is on."""

import json
from contextlib import suppress
from dataclasses import replace
from typing import Final

from stager.project import Project
from stager.system.files import read_whole, write_whole

OFFSET_NAME: Final = "bus.json"


def with_offset(project: Project) -> Project:
    """Return a project with the offset that it has by now; none where `[bus] apply` is off, or nothing was kept."""
    if not project.settings.bus.apply:
        return replace(project, bus_offset_db=0.0)
    with suppress(ValueError, TypeError, AttributeError):
        kept = json.loads(read_whole(project.state / OFFSET_NAME) or b"{}").get("offset_db", 0.0)
        return replace(project, bus_offset_db=min(0.0, float(kept)))
    return replace(project, bus_offset_db=0.0)


def keep_offset(project: Project, offset_db: float) -> Project:
    """Keep another offset, and give the project with it.

    Raises:
        PlaceError: where it can't be written.
    """
    write_whole(project.state / OFFSET_NAME, (json.dumps({"offset_db": offset_db}) + "\n").encode())
    return replace(project, bus_offset_db=offset_db)
