"""`stager status`: shows the state of a running watch from another shell."""

from pathlib import Path
from typing import Final

from stager.cli.exits import Exit
from stager.cli.screen import print_json
from stager.plugins.projects import load_project
from stager.system.printable import on_screen
from stager.watch.status import Status, age_s, read_status

STATE_WORDS: Final = {
    "watching": "watching, nothing to do",
    "busy": "at work",
    "paused": "PAUSED",
    "not_watched": "NOT WATCHED",
}
SILENT_S: Final = 60.0
"""Age of the last heartbeat, of a process that still runs, from which a warning is printed."""
UNATTENDED: Final = ("not_watched", "paused")
"""States in which new stems get no copy."""


def run(*, project: Path, check: bool, as_json: bool) -> Exit:
    """Print the state of a project's watch, and which stems have no copy; with `check`, exit 1 where none is made."""
    status = read_status(load_project(project))
    if as_json:
        print_json(status.to_data())
    else:
        print("\n".join(map(on_screen, _lines(status))))
    return Exit.SOME if check and status.state in UNATTENDED else Exit.DONE


def _lines(status: Status) -> list[str]:
    silent_s = None if status.last_seen_at is None else age_s(status.last_seen_at)
    seen = "" if silent_s is None else f", last seen {_ago(silent_s)}"
    who = f" (process {status.pid})" if status.pid else ""
    lines = [f"{status.project}: {STATE_WORDS.get(status.state, status.state)}{seen}{who}"]
    if status.pid and silent_s is not None and silent_s > SILENT_S:
        lines.append("  no sign of life for longer than usual: its folder may not answer")
    if status.says:
        lines.append(f"  {status.says}")
    if status.queue:
        lines.append(f"{status.queue} {'stem' if status.queue == 1 else 'stems'} in the queue")
    lines += [f"  waiting for {says}" for _, says in status.waiting]
    if status.failures:
        lines.append("without a copy of their last bounce:")
        lines += [f"  {failure.stem}, {failure.refused}: {failure.says}" for failure in status.failures]
    return [*lines, *status.notes]


def _ago(seconds: float) -> str:
    """Return an age in words, such as 3 min ago."""
    for unit_s, unit in ((86_400.0, "d"), (3_600.0, "h"), (60.0, "min")):
        if seconds >= unit_s:
            return f"{seconds / unit_s:.0f} {unit} ago"
    return f"{seconds:.0f} s ago"
