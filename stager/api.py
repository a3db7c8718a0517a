"""What `import stager` offers: each command as a function that returns records instead of printing them."""

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from stager.analysis.analyse import analyse
from stager.errors import InternalError, internal_errors
from stager.judge import Aim, advise
from stager.model import Advice, Finding, Levels, Outcome, Reference, SourceInfo, Verdict, worst
from stager.model.check import SetReport
from stager.plugins import projects
from stager.project import Project
from stager.project.inbox import list_stems, stems_in
from stager.project.patterns import matches_any
from stager.report import outcomes_of, write_tables
from stager.songset import CheckOptions, examine
from stager.staging.batch import rehearse_all, stage_all
from stager.staging.bus_offset import with_offset
from stager.staging.documents import Document
from stager.staging.publish import staging
from stager.staging.queue import ExecutorChoice, OutcomeEvent
from stager.system.error_log import log_traceback
from stager.system.printable import shown
from stager.system.version import VERSION
from stager.verify import Verified, verify_project
from stager.workers.process_pool import worker_processes

SETTLE_S: Final = 1.0
"""Time unchanged after which a header that promises too much counts as final; the default of `settle_s`."""


@dataclass(frozen=True)
class MeasuredFile:
    """One file with its levels, findings and advice."""

    source: SourceInfo
    levels: Levels
    findings: tuple[Finding, ...]
    advice: Advice | None

    @property
    def verdict(self) -> Verdict:
        """The verdict of the worst finding."""
        return worst(self.findings)

    @property
    def is_corrupt(self) -> bool:
        """Whether the file itself is damaged."""
        return any(finding.code == "corrupt" for finding in self.findings)

    def to_data(self) -> dict[str, Any]:
        """Return its entry of the JSON document."""
        return {
            "source": self.source.model_dump(mode="json"),
            "levels": self.levels.model_dump(mode="json"),
            "findings": [finding.model_dump(mode="json") for finding in self.findings],
            "verdict": self.verdict.value,
            "advice": self.advice.model_dump(mode="json") if self.advice else None,
        }


def measure(path: str | Path, *, reference: Reference = "sine") -> MeasuredFile:
    """Return levels, findings and input advice of one audio file; averages in the convention of `reference`.

    Raises:
        StemError: where the file can't be measured.
    """
    file = Path(path)
    analysis = analyse(file, str(file), settle_s=SETTLE_S, take_cut=True)
    levels = analysis.levels(reference)
    findings = tuple(analysis.findings(levels, part=file.stem))
    advice = advise(
        levels, Aim(), event=analysis.loudest_event, findings=findings, duration_s=analysis.source.duration_s
    )
    return MeasuredFile(analysis.source, levels, findings, advice)


def load_project(path: str | Path) -> Project:
    """Return the project of a folder with a `stager.toml`, or of that file, with its plug-ins.

    Raises:
        ConfigError: for all that is wrong with the file, one line a fault.
    """
    return with_offset(projects.load_project(Path(path)))


@dataclass
class StageRun:
    """One run over a project on an executor; `taken_out` are the stems that it found gone, `tables` what it wrote.

    `tables_error` says what unexpected error kept the tables from being written; it takes no outcome away.
    """

    project: Project
    executor: ExecutorChoice
    on_outcome: Callable[[OutcomeEvent], None]
    taken_out: Sequence[str] = ()
    tables: Sequence[Document] = ()
    tables_error: str | None = None

    def stage(self, names: Sequence[str], *, again: bool = False) -> list[Outcome]:
        """Stage these stems under the project's lock, note which were taken out, and write the tables.

        Raises:
            PlaceError: where a folder or the disk fails, or another process stages this project.
        """
        with staging(self.project) as held:
            outcomes = stage_all(held, names, again=again, on_outcome=self.on_outcome, executor=self.executor)
            self.taken_out = held.note_gone(list_stems(self.project).may_hold())
            self._write_tables()
        return outcomes

    def _write_tables(self) -> None:
        try:
            with internal_errors("the tables"):
                self.tables = write_tables(self.project, outcomes_of(self.project))
        except InternalError as error:
            place = log_traceback(self.project.state, "tables", error.traceback, VERSION)
            self.tables_error = f"{error}; its traceback is in {shown(place)}"


def stage(
    project: Project,
    *,
    only: Sequence[str] = (),
    again: bool = False,
    dry_run: bool = False,
    jobs: int | None = None,
    on_outcome: Callable[[Outcome], None] = lambda _outcome: None,
) -> list[Outcome]:
    """Stage what is in the inbox once, and return the outcome of each stem; `on_outcome` gets each when it is finished.

    `only` are patterns of names, `again` includes stems whose copy is up to date, a `dry_run` decides and writes
    nothing, `jobs` is the number of stems processed at once. The offset of `[bus] apply` is used, not decided anew.

    Raises:
        PlaceError: where a folder or the disk fails, or another process stages this project.
    """
    names = [name for name in stems_in(project) if not only or matches_any(shown(name), only)]
    if dry_run:
        return list(rehearse_all(project, names))
    with worker_processes(project, names, jobs) as executor:
        run = StageRun(project, executor, lambda event: on_outcome(event.outcome))
        return run.stage(names, again=again)


def check(project: Project) -> SetReport:
    """Return what there is to know about the set as a whole; nothing is written.

    Raises:
        PlaceError: where the inbox can't be read.
    """
    return examine(project, CheckOptions(jobs=os.cpu_count() or 1))


def verify(project: Project) -> Iterator[Verified]:
    """Yield the proof of each copy: whether it differs from its original in level alone.

    Raises:
        PlaceError: where a folder can't be read.
    """
    yield from verify_project(project)
