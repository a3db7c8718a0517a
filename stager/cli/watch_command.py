"""`stager watch`: the daemon in the foreground."""

import signal
from collections.abc import Callable, Sequence
from pathlib import Path

from stager.bench import News
from stager.cli.exits import Exit, LogKind
from stager.cli.log import HumanLog, JsonLog
from stager.cli.screen import caution_text
from stager.errors import ConfigError
from stager.model import Staged
from stager.model.take import TakeOutcome
from stager.project import Project
from stager.steps.projects import load_project
from stager.watch import Daemon, Voice, Word, check_parents


def run(
    *,
    projects: Sequence[Path],
    until_idle_s: float | None,
    poll: bool,
    discover: bool,
    log: LogKind,
    stir: Callable[[Project], None] = lambda _project: None,
) -> Exit:
    """Watch until stopped; `stir` hears of a project whenever something happened in it."""
    parents = projects if discover else ()
    check_parents(parents)
    loaded = [] if discover else [load_project(project) for project in projects]
    if len({project.file for project in loaded}) < len(loaded):
        raise ConfigError("expected different projects to watch, found one of them named twice")
    lines = JsonLog() if log is LogKind.JSON else HumanLog(many=discover or len(loaded) > 1)
    cautioned = set[Path]()

    def tell(project: Project, news: News) -> None:
        lines.news(project, news)
        fresh = [news.outcome.sidecar] if isinstance(news.outcome, Staged) and news.outcome.fresh else []
        caution = None if project.file in cautioned else caution_text(fresh)
        if caution:
            cautioned.add(project.file)
            lines.word(Word(caution, project.name, "warning"))
        stir(project)

    def tell_take(project: Project, take: TakeOutcome) -> None:
        lines.take(project, take)
        stir(project)

    voice = Voice(tell, lines.word, tell_take)
    ended_by = Daemon(loaded, voice, poll=poll, until_idle_s=until_idle_s, parents=parents).run()
    return Exit.INTERRUPTED if ended_by == signal.SIGINT else Exit.DONE
