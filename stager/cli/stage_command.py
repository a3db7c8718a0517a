"""`stager stage`: what is in the inbox, once."""

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TypedDict, Unpack

from stager.batch import rehearse_all, stage_all
from stager.bench import Hands, News
from stager.check import asked_offset_db
from stager.cli.exits import Exit, FailOn
from stager.cli.progress import Progress
from stager.cli.screen import fails, print_json, say, say_caution
from stager.crew import crew
from stager.inbox import stems_in
from stager.model import Outcome, Refused, Staged
from stager.names import shown
from stager.offset import keep_offset, with_offset
from stager.project import Project
from stager.project.patterns import matches_any
from stager.report import gone_line, outcome_data, outcome_line, outcomes_of, outcomes_text, write_tables
from stager.staging import staging
from stager.steps.projects import load_project


class Asked(TypedDict):
    """What is asked of one run: which stems, how they are worked on, and what it tells."""

    project: Path
    only: Sequence[str]
    dry_run: bool
    again: bool
    jobs: int | None
    fail_on: FailOn | None
    as_json: bool


def run(elsewhere: Callable[[Project], AbstractContextManager[Hands]] | None = None, **asked: Unpack[Asked]) -> Exit:
    """Stage once and print the outcomes; `elsewhere` gives other hands than threads of this process."""
    only = asked["only"]
    loaded = with_offset(load_project(asked["project"]))
    names = [name for name in stems_in(loaded) if not only or matches_any(shown(name), only)]
    if not names:
        say(f"Nothing to stage: no stem lies in {shown(loaded.inbox)}{' that matches' if only else ''}.")
    if asked["dry_run"]:
        outcomes = list(rehearse_all(loaded, names))
    else:
        with elsewhere(loaded) if elsewhere else crew(loaded, names, asked["jobs"]) as hands:
            outcomes = _stage(loaded, names, hands, again=asked["again"])
            if loaded.settings.bus.apply and not only:
                outcomes = _with_bus(loaded, outcomes, hands)
    if asked["as_json"]:
        print_json({"schema": "stager/stage/1", "outcomes": [outcome_data(outcome) for outcome in outcomes]})
    elif outcomes:
        print(outcomes_text(outcomes))
    say_caution(outcome.sidecar for outcome in outcomes if isinstance(outcome, Staged) and outcome.fresh)
    return exit_of(outcomes, asked["fail_on"])


def _stage(project: Project, names: Sequence[str], hands: Hands, *, again: bool) -> list[Outcome]:
    teller = Teller(len(names))
    with staging(project) as held, Progress(project, names) as progress:
        tell = progress.around(teller.tell)
        outcomes = stage_all(held, names, again=again, jobs=hands.jobs, tell=tell, executor=hands.executor)
        gone = held.note_gone(set(stems_in(project)))
        write_tables(project, outcomes_of(project))
    if gone:
        say(gone_line(gone))
    return outcomes


def _with_bus(project: Project, outcomes: list[Outcome], hands: Hands) -> list[Outcome]:
    """Stage all stems again where the mix bus asks for another offset; the outcomes of before make room for theirs."""
    offset_db = asked_offset_db(project)
    if offset_db == project.bus_offset_db:
        return outcomes
    say(f"The mix bus asks for {offset_db:+g} dB on every stem: staged again with it.")
    moved, teller = keep_offset(project, offset_db), Teller()
    with staging(moved) as held:
        names = stems_in(moved)
        later = stage_all(held, names, again=False, jobs=hands.jobs, tell=teller.tell, executor=hands.executor)
        write_tables(moved, outcomes_of(moved))
    return list(
        ({outcome.stem: outcome for outcome in outcomes} | {outcome.stem: outcome for outcome in later}).values()
    )


class Teller:
    """Says one line a stem, and every hint once."""

    def __init__(self, total: int | None = None, front: str = "") -> None:
        self._total, self._front, self._count = total, front, 0
        self._said: set[str] = set()

    def tell(self, news: News) -> None:
        """Say what became of a stem."""
        self._count += 1
        count = f"{self._count}/{self._total} " if self._total else ""
        say(self._front + count + outcome_line(news.outcome))
        if news.instead_of:
            say(f"  {news.instead_of}, which is yours or was altered by you, stays; the copy lies beside it")
        if isinstance(news.outcome, Staged) and news.outcome.called_before:
            say(f"  until now it was called {news.outcome.called_before}; its copy followed")
        for name in _not_carried(news.outcome):
            say(f"  not carried: {name}")
        for hint in news.hints:
            if hint.once not in self._said:
                self._said.add(hint.once)
                say(f"  note: {hint.says}")


def _not_carried(outcome: Outcome) -> Sequence[str]:
    """What a fresh copy could not take along from its original."""
    made = outcome.sidecar.copy_ if isinstance(outcome, Staged) and outcome.fresh else None
    return made.not_carried if made else ()


def exit_of(outcomes: Sequence[Outcome], fail_on: FailOn | None) -> Exit:
    """Give the exit status of a batch."""
    bad = any(isinstance(outcome, Refused) or fails(outcome.sidecar.verdict, fail_on) for outcome in outcomes)
    return Exit.SOME if bad else Exit.DONE
