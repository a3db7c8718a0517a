"""The check of the set that a report or a pack needs: the last one where it is still true, else one made now."""

import json
import os
from contextlib import suppress

from stager.cli.screen import say_phase
from stager.errors import PlaceError
from stager.model.check import SetReport
from stager.project import Project
from stager.report.html_sources import CHECK_NAME, read_check
from stager.songset import CheckOptions, examine, state_of
from stager.system.files import write_whole


def checked(project: Project, state: str) -> SetReport | None:
    """Return the check of the set, examined anew where the last one is out of date, and keep it for the next report."""
    place = project.state / CHECK_NAME
    last, says = read_check(place, state)
    if last and not says:
        return last
    found = examine(project, CheckOptions(jobs=os.cpu_count() or 1, on_phase=say_phase))
    with suppress(PlaceError):
        document = found.to_data(with_overview=True)
        write_whole(place, (json.dumps(document, indent=1) + "\n").encode())
    return found


def state_if_there(project: Project) -> str | None:
    """Return the state of stems and settings, None where the inbox is missing: the report is written all the same."""
    try:
        return state_of(project)
    except PlaceError:
        return None
