"""`stager report`: the page, the tables and the notes; the set is examined anew where its last check is out of date."""

import json
import os
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from stager.cli.exits import Exit
from stager.cli.screen import say, say_caution, say_displaced, say_phase
from stager.errors import PlaceError
from stager.model import Staged
from stager.model.check import SetReport
from stager.plugins.projects import load_project
from stager.project import Project
from stager.report import collect
from stager.report.html_sources import CHECK_NAME, read_check
from stager.report.publish import write_report
from stager.songset import CheckOptions, examine, state_of
from stager.staging.bus_offset import with_offset
from stager.system.files import write_whole
from stager.system.printable import on_screen, shown


def run(*, project: Path, quick: bool = False) -> Exit:
    """Write the report of a project into its outbox, and say where it is."""
    loaded = with_offset(load_project(project))
    outcomes = collect(loaded)
    written_at = datetime.now(UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S %Z")
    state = _state(loaded)
    check = None if quick or not outcomes or state is None else _checked(loaded, state)
    written = write_report(loaded, outcomes, state=state, written_at=written_at, check=check)
    if not outcomes:
        say("No stem has been staged here yet.")
    say_caution(outcome.sidecar for outcome in outcomes if isinstance(outcome, Staged))
    say_displaced(written)
    print("\n".join(on_screen(shown(document.path)) for document in written))
    return Exit.DONE


def _checked(project: Project, state: str) -> SetReport | None:
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


def _state(project: Project) -> str | None:
    """Return the state of stems and settings, None where the inbox is missing: the report is written all the same."""
    try:
        return state_of(project)
    except PlaceError:
        return None
