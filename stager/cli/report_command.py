"""`stager report`: the page, the tables and the notes, from what is written down already; no audio is read."""

from datetime import UTC, datetime
from pathlib import Path

from stager.check import state_of
from stager.cli.exits import Exit
from stager.cli.screen import say, say_caution
from stager.errors import PlaceError
from stager.model import Staged
from stager.names import on_screen, shown
from stager.offset import with_offset
from stager.project import Project
from stager.report import collect
from stager.report.publish import write_report
from stager.steps.projects import load_project


def run(*, project: Path) -> Exit:
    """Write the report of a project into its outbox, and say where it is."""
    loaded = with_offset(load_project(project))
    outcomes = collect(loaded)
    written_at = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    places = write_report(loaded, outcomes, state=_state(loaded), written_at=written_at)
    if not outcomes:
        say("No stem has been staged here yet.")
    say_caution(outcome.sidecar for outcome in outcomes if isinstance(outcome, Staged))
    print("\n".join(on_screen(shown(place)) for place in places))
    return Exit.DONE


def _state(project: Project) -> str | None:
    """The state of stems and settings; None where the inbox is away, which is no reason to keep the report back."""
    try:
        return state_of(project)
    except PlaceError:
        return None
