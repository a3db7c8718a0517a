"""`stager watch`: the daemon in the foreground."""

import signal
from collections.abc import Callable, Sequence
from pathlib import Path

from stager.cli.compiling import compiling_text
from stager.cli.exits import Exit, LogKind
from stager.cli.log import HumanLog, JsonLog
from stager.cli.screen import caution_text
from stager.errors import ConfigError
from stager.model import Staged
from stager.model.takes import TakeOutcome
from stager.plugins.projects import load_project
from stager.project import Project
from stager.staging.queue import OutcomeEvent
from stager.system.jit import is_kept, tell_of_compiling
from stager.watch.daemon import Daemon, check_parents
from stager.watch.listeners import Listeners, LogLine


def run(
    *,
    projects: Sequence[Path],
    until_idle_s: float | None,
    poll: bool,
    discover: bool,
    log: LogKind,
    on_activity: Callable[[Project], None] = lambda _project: None,
) -> Exit:
    """Watch until stopped; `on_activity` is called with a project whenever something happened in it."""
    parents = projects if discover else ()
    check_parents(parents)
    loaded = [] if discover else [load_project(project) for project in projects]
    if len({project.file for project in loaded}) < len(loaded):
        raise ConfigError("expected different projects to watch, found one of them named twice")
    lines = JsonLog() if log is LogKind.JSON else HumanLog(many=discover or len(loaded) > 1)
    tell_of_compiling(lambda: lines.word(LogLine(compiling_text(kept=is_kept()))))
    cautioned_db: dict[Path, float] = {}

    def tell(project: Project, event: OutcomeEvent) -> None:
        lines.news(project, event)
        if isinstance(event.outcome, Staged) and event.outcome.fresh:
            gain_db = event.outcome.sidecar.trim.gain_db
            caution = caution_text([event.outcome.sidecar])
            if caution and gain_db > cautioned_db.get(project.file, 0.0):  # again where a later copy is raised further
                cautioned_db[project.file] = gain_db
                lines.word(LogLine(caution, project.name, "warning"))
        on_activity(project)

    def tell_take(project: Project, take: TakeOutcome) -> None:
        lines.take(project, take)
        on_activity(project)

    listeners = Listeners(tell, lines.word, tell_take)
    ended_by = Daemon(loaded, listeners, poll=poll, until_idle_s=until_idle_s, parents=parents).run()
    return Exit.INTERRUPTED if ended_by == signal.SIGINT else Exit.DONE
