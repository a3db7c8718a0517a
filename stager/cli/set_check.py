"""The check of the set that a command needs: the last one where nothing changed since, else a new one."""

import json
import os
from contextlib import suppress

from stager.cli.screen import say_phase
from stager.errors import PlaceError
from stager.judge.bus import room_for
from stager.model.check import SetReport, TakenOutStem
from stager.project import Project
from stager.project.inbox import stems_in
from stager.report.html_sources import CHECK_NAME, read_check
from stager.songset import CheckOptions, examine, state_of
from stager.staging.ledger import LEDGER, Known, read_entries
from stager.staging.state import StagingState
from stager.staging.taken_out import taken_out
from stager.system.files import write_whole


def checked(project: Project, state: str) -> SetReport:
    """Return the check of the set, examined anew where the last one is out of date, and keep it for later commands."""
    if last := last_check(project, state):
        return last
    found = examine(project, CheckOptions(jobs=os.cpu_count() or 1, on_phase=say_phase))
    with suppress(PlaceError):
        document = found.to_data(with_overview=True)
        write_whole(project.state / CHECK_NAME, (json.dumps(document, indent=1) + "\n").encode())
    return found


def last_check(project: Project, state: str | None, more: int | None = None) -> SetReport | None:
    """Return the last check of the set where nothing changed since, else None; no audio is read.

    It is true where stems and settings are those that it was made of, and where copies neither came nor went since.
    `more` is for how many parts room is to be forecast.
    """
    last, says = read_check(project.state / CHECK_NAME, state)
    if state is None or last is None or says or _is_staged(project) != (last.balance is not None):
        return None
    gone = tuple(TakenOutStem(stem=each.stem, copy_path=each.copy) for each in taken_out(project))
    room = room_for(last.bus, more) if more is not None and last.bus else None
    return last.model_copy(update={"taken_out": gone, "room": room, "rough": None})


def state_if_there(project: Project) -> str | None:
    """Return the state of stems and settings, None where the inbox is missing: the report is written all the same."""
    try:
        return state_of(project)
    except PlaceError:
        return None


def _is_staged(project: Project) -> bool:
    """Return whether every stem has a copy that is up to date; copies and sidecars are looked at, not measured."""
    state = StagingState(project, Known(read_entries(project.state / LEDGER)))
    return all(state.current_now(name) for name in stems_in(project))
