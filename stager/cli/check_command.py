"""`stager check`: the set as a whole, writing nothing."""

import os
from pathlib import Path

from stager.check import Wish, examine
from stager.cli.exits import Exit, FailOn
from stager.cli.screen import fails, print_json, say
from stager.names import shown
from stager.offset import with_offset
from stager.report import check_text
from stager.steps.projects import load_project


def run(*, project: Path, more: int | None, rough: Path | None, fail_on: FailOn | None, as_json: bool) -> Exit:
    """Examine the set and print what was found."""
    loaded = with_offset(load_project(project))
    found = examine(loaded, Wish(more, rough, jobs=os.cpu_count() or 1))
    if not found.stems and not found.refused:
        say(f"Nothing to check: no stem lies in {shown(loaded.inbox)}.")
    if as_json:
        print_json(found.to_data())
    elif found.stems or found.refused:
        print(check_text(found))
    bad = bool(found.refused) or fails(found.verdict, fail_on)
    return Exit.SOME if bad else Exit.DONE
