"""`stager watch`: the daemon in the foreground."""

import signal
from collections.abc import Sequence
from pathlib import Path

from stager.batch import News
from stager.cli.exits import Exit, LogKind
from stager.cli.log import HumanLog, JsonLog
from stager.cli.screen import is_louder, say_caution
from stager.errors import ConfigError
from stager.model import Staged
from stager.project import Project
from stager.steps.projects import load_project
from stager.watch import Daemon, Voice, check_parents


def run(*, projects: Sequence[Path], until_idle_s: float | None, poll: bool, discover: bool, log: LogKind) -> Exit:
    """Watch until stopped."""
    parents = projects if discover else ()
    check_parents(parents)
    loaded = [] if discover else [load_project(project) for project in projects]
    if len({project.file for project in loaded}) < len(loaded):
        raise ConfigError("expected different projects to watch, found one of them named twice")
    lines = JsonLog() if log is LogKind.JSON else HumanLog(many=discover or len(loaded) > 1)
    cautioned = set[Path]()

    def tell(project: Project, news: News) -> None:
        lines.news(project, news)
        if project.file not in cautioned and isinstance(news.outcome, Staged) and news.outcome.fresh:
            if is_louder(news.outcome.sidecar):
                cautioned.add(project.file)
            say_caution([news.outcome.sidecar])

    voice = Voice(tell, lines.word, lines.take)
    ended_by = Daemon(loaded, voice, poll=poll, until_idle_s=until_idle_s, parents=parents).run()
    return Exit.INTERRUPTED if ended_by == signal.SIGINT else Exit.DONE
