"""`stager report`: the page, the tables and the notes; the set is examined anew where its last check is out of date."""

from datetime import UTC, datetime
from pathlib import Path

from stager.cli.exits import Exit
from stager.cli.screen import say, say_caution, say_displaced
from stager.cli.set_check import checked, state_if_there
from stager.model import Staged
from stager.plugins.projects import load_project
from stager.report import collect
from stager.report.publish import write_report
from stager.staging.bus_offset import with_offset
from stager.system.printable import on_screen, shown


def run(*, project: Path, quick: bool = False) -> Exit:
    """Write the report of a project into its outbox, and say where it is."""
    loaded = with_offset(load_project(project))
    outcomes = collect(loaded)
    written_at = datetime.now(UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S %Z")
    state = state_if_there(loaded)
    check = None if quick or not outcomes or state is None else checked(loaded, state)
    written = write_report(loaded, outcomes, state=state, written_at=written_at, check=check)
    if not outcomes:
        say("No stem has been staged here yet.")
    say_caution(outcome.sidecar for outcome in outcomes if isinstance(outcome, Staged))
    say_displaced(written)
    say("Written: a page to open in a browser, its table, the same as JSON, and notes for whoever mixes.")
    print("\n".join(on_screen(shown(document.path)) for document in written))
    return Exit.DONE
