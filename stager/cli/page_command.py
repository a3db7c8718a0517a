"""`stager watch --page`: the daemon with the page for the recording room."""

import os
import sys
from collections.abc import Sequence
from pathlib import Path

from stager.cli import watch_command
from stager.cli.exits import Exit, LogKind
from stager.cli.log import HumanLog, JsonLog
from stager.cli.screen import say
from stager.errors import ConfigError
from stager.page import Page, PageOptions, qr_lines
from stager.plugins.projects import load_project
from stager.project import Project
from stager.watch.discover import project_files_below
from stager.watch.listeners import LogLine

LIGHT_ON_DARK = "\x1b[97;40m{}\x1b[0m"


def run(
    *,
    projects: Sequence[Path],
    until_idle_s: float | None,
    poll: bool,
    discover: bool,
    log: LogKind,
    page: tuple[str | None, int | None, str | None],
) -> Exit:
    """Watch until stopped, with the page; `page` is its host, port and token, None the default of each."""
    loaded = [] if discover else [load_project(project) for project in projects]
    lines = JsonLog() if log is LogKind.JSON else HumanLog(many=False)
    parents = projects if discover else ()
    page_server = Page(
        loaded,
        PageOptions(*page),
        lambda says: lines.word(LogLine(says, level="warning")),
        lambda: _projects_below(parents),
    )
    page_server.start()
    try:
        lines.word(LogLine(f"page for the recording room: {page_server.address}"))
        if not page_server.is_local and log is LogKind.LINES:
            _print_code(page_server.address)
        return watch_command.run(
            projects=projects,
            until_idle_s=until_idle_s,
            poll=poll,
            discover=discover,
            log=log,
            on_activity=page_server.stir,
        )
    finally:
        page_server.stop()


def _projects_below(parents: Sequence[Path]) -> list[Project]:
    """Return every valid project below these folders; the watch reports the invalid ones."""
    found = []
    for file in (file.resolve() for parent in parents for file in project_files_below(parent)):
        try:
            found.append(load_project(file))
        except ConfigError:
            continue  # the watch says so
    return found


def _print_code(address: str) -> None:
    """Print an address as a QR code, in light on dark on any terminal."""
    lines = qr_lines(address)
    try:
        "".join(lines).encode(sys.stderr.encoding or "ascii")
    except UnicodeEncodeError:
        return
    is_coloured = sys.stderr.isatty() and not os.environ.get("NO_COLOR")
    for line in lines:
        if is_coloured:
            print(LIGHT_ON_DARK.format(line), file=sys.stderr, flush=True)
        else:
            say(line)
