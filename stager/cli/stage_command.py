"""`stager stage`: stages the inbox once."""

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TypedDict, Unpack

from stager.api import StageRun
from stager.cli.exits import Exit, FailOn
from stager.cli.progress import Progress
from stager.cli.screen import fails, print_json, say, say_caution, say_displaced, say_tracebacks
from stager.errors import InternalError, internal_errors
from stager.judge.closing import closing_sentence
from stager.model import Outcome, Refused, Staged
from stager.plugins.projects import load_project
from stager.project import Project
from stager.project.inbox import list_stems, stems_in
from stager.project.patterns import matches_any
from stager.report import gone_line, outcome_data, outcome_line, outcomes_text
from stager.songset import asked_offset_db
from stager.staging.batch import rehearse_all
from stager.staging.bus_offset import keep_offset, with_offset
from stager.staging.queue import ExecutorChoice, OutcomeEvent
from stager.system.error_log import log_traceback
from stager.system.printable import shown
from stager.system.version import VERSION
from stager.workers.process_pool import worker_processes


class StageOptions(TypedDict):
    """The options of one run."""

    project: Path
    only: Sequence[str]
    dry_run: bool
    again: bool
    jobs: int | None
    fail_on: FailOn | None
    as_json: bool


def run(
    open_elsewhere: Callable[[Project], AbstractContextManager[ExecutorChoice]] | None = None,
    **options: Unpack[StageOptions],
) -> Exit:
    """Stage once and print the outcomes; `open_elsewhere` opens another executor than this machine's."""
    only = options["only"]
    loaded = with_offset(load_project(options["project"]))
    listing = list_stems(loaded)
    names = [name for name in listing.names if not only or matches_any(shown(name), only)]
    for folder in listing.skipped:
        say(folder.says)
    if not names:
        say(f"Nothing to stage: no stem lies in {shown(loaded.inbox)}{' that matches' if only else ''}.")
    if options["dry_run"]:
        outcomes, is_reported = list(rehearse_all(loaded, names)), True
        say("A dry run: this is what staging would do; no copy is written.")
        say_tracebacks(outcome.traceback for outcome in outcomes if isinstance(outcome, Refused))
    else:
        with open_elsewhere(loaded) if open_elsewhere else worker_processes(loaded, names, options["jobs"]) as executor:
            outcomes, is_reported = _stage(loaded, names, executor, again=options["again"])
            if loaded.settings.bus.apply and not only:
                outcomes = _with_bus(loaded, outcomes, executor)
    if options["as_json"]:
        print_json({"schema": "stager/stage/1", "outcomes": [outcome_data(outcome) for outcome in outcomes]})
    elif outcomes:
        print(f"{outcomes_text(outcomes)}\n\n{closing_sentence(outcomes)}")
    say_caution(outcome.sidecar for outcome in outcomes if isinstance(outcome, Staged) and outcome.fresh)
    return Exit.SOME if listing.skipped or not is_reported else exit_of(outcomes, options["fail_on"])


def _stage(
    project: Project, names: Sequence[str], executor: ExecutorChoice, *, again: bool
) -> tuple[list[Outcome], bool]:
    """Stage these stems; return their outcomes, and whether each was told of and the tables are written."""
    with Progress(project, names) as progress:
        teller = GuardedListener(project, progress.around(OutcomePrinter(len(names)).tell))
        run = StageRun(project, executor, teller)
        outcomes = run.stage(names, again=again)
    say_displaced(run.tables)
    if run.taken_out:
        say(gone_line(run.taken_out))
    if run.tables_error:
        say(run.tables_error)
    return outcomes, run.tables_error is None and not teller.has_failed


def _with_bus(project: Project, outcomes: list[Outcome], executor: ExecutorChoice) -> list[Outcome]:
    """Stage all stems again where the mix bus asks for another offset; the new outcomes replace the earlier ones."""
    offset_db = asked_offset_db(project)
    if offset_db == project.bus_offset_db:
        return outcomes
    say(f"The mix bus asks for {offset_db:+g} dB on every stem: staged again with it.")
    moved = keep_offset(project, offset_db)
    later = StageRun(moved, executor, OutcomePrinter().tell).stage(stems_in(moved))
    return list({outcome.stem: outcome for outcome in (*outcomes, *later)}.values())


class GuardedListener:
    """Passes outcomes on; an unforeseen error while printing one is reported and logged, and loses no outcome."""

    def __init__(self, project: Project, listener: Callable[[OutcomeEvent], None]) -> None:
        self._project, self._listener = project, listener
        self.has_failed = False

    def __call__(self, event: OutcomeEvent) -> None:
        """Pass an outcome on."""
        name = event.outcome.stem
        try:
            with internal_errors(name):
                self._listener(event)
        except InternalError as error:
            self.has_failed = True
            place = log_traceback(self._project.state, name, error.traceback, VERSION)
            say(f"{error}; its traceback is in {shown(place)}", always=True)


class OutcomePrinter:
    """Prints one line a stem, and every hint once."""

    def __init__(self, total: int | None = None, front: str = "") -> None:
        self._total, self._front, self._count = total, front, 0
        self._said: set[str] = set()

    def tell(self, event: OutcomeEvent) -> None:
        """Print the outcome of a stem."""
        self._count += 1
        count = f"{self._count}/{self._total} " if self._total else ""
        say(self._front + count + outcome_line(event.outcome))
        if event.instead_of:
            theirs = f"{event.instead_of}, which is yours, another project's or altered since"
            say(f"  {theirs}, stays; the copy lies beside it")
        if isinstance(event.outcome, Staged) and event.outcome.called_before:
            say(f"  until now it was called {event.outcome.called_before}; its copy followed")
        for name in _not_carried(event.outcome):
            say(f"  not carried: {name}")
        for hint in event.hints:
            if hint.once not in self._said:
                self._said.add(hint.once)
                say(f"  note: {hint.says}")


def _not_carried(outcome: Outcome) -> Sequence[str]:
    """Return what a fresh copy could not carry over from its original."""
    made = outcome.sidecar.copy_ if isinstance(outcome, Staged) and outcome.fresh else None
    return made.not_carried if made else ()


def exit_of(outcomes: Sequence[Outcome], fail_on: FailOn | None) -> Exit:
    """Return the exit status of a batch."""
    bad = any(isinstance(outcome, Refused) or fails(outcome.sidecar.verdict, fail_on) for outcome in outcomes)
    return Exit.SOME if bad else Exit.DONE
