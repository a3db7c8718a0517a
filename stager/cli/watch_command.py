"""`stager watch`: the daemon in the foreground."""

import signal
from collections.abc import Sequence
from pathlib import Path

from stager.batch import News
from stager.cli.exits import Exit
from stager.cli.screen import is_louder, say, say_caution
from stager.cli.stage_command import Teller
from stager.errors import ConfigError
from stager.model import Staged
from stager.project import Project, load_project
from stager.watch import Daemon, Voice


def run(*, projects: Sequence[Path], until_idle_s: float | None, poll: bool) -> Exit:
    """Watch until stopped."""
    loaded = [load_project(project) for project in projects]
    if len({project.file for project in loaded}) < len(loaded):
        raise ConfigError("expected different projects to watch, found one of them named twice")
    teller, cautioned = Teller(), set[Path]()

    def tell(project: Project, news: News) -> None:
        teller.tell(news)
        if project.file not in cautioned and isinstance(news.outcome, Staged) and news.outcome.fresh:
            if is_louder(news.outcome.sidecar):
                cautioned.add(project.file)
            say_caution([news.outcome.sidecar])

    ended_by = Daemon(loaded, Voice(tell, say), poll=poll, until_idle_s=until_idle_s).run()
    return Exit.INTERRUPTED if ended_by == signal.SIGINT else Exit.DONE
