"""`stager check`: the set as a whole, writing nothing."""

import os
from pathlib import Path

from stager.cli.exits import Exit, FailOn
from stager.cli.screen import fails, print_json, say, say_phase, say_tracebacks
from stager.cli.set_check import last_check, state_if_there
from stager.plugins.projects import load_project
from stager.report import check_text
from stager.songset import CheckOptions, examine
from stager.staging.bus_offset import with_offset
from stager.system.printable import shown


def run(
    *,
    project: Path,
    more: int | None,
    rough: Path | None,
    fail_on: FailOn | None,
    as_json: bool,
    everything: bool = False,
) -> Exit:
    """Examine the set and print what was found."""
    loaded = with_offset(load_project(project))
    found = None if rough else last_check(loaded, state_if_there(loaded), more)
    if found:
        say(f"Nothing changed since the set was examined ({found.at}): no audio was read again.")
    else:
        found = examine(loaded, CheckOptions(more, rough, jobs=os.cpu_count() or 1, on_phase=say_phase))
    if not found.stems and not found.refused:
        say(f"Nothing to check: no stem lies in {shown(loaded.inbox)}.")
    if as_json:
        print_json(found.to_data())
    elif found.stems or found.refused:
        print(check_text(found, everything=everything))
    say_tracebacks(stem.traceback for stem in found.refused)
    bad = bool(found.refused) or fails(found.verdict, fail_on)
    return Exit.SOME if bad else Exit.DONE
