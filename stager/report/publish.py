"""All four reports of a project, written into its outbox."""

from collections.abc import Sequence
from fractions import Fraction

from stager.judge import first_lines
from stager.model import Outcome, Refused, Sidecar, Staged
from stager.model.check import SetReport
from stager.project import Project
from stager.report.html import HTML_NAME, MOST_TAKES, page_text
from stager.report.html_sources import Sources, read_sources
from stager.report.notes import NOTES_NAME, Notes, Song, notes_text
from stager.report.tables import write_tables
from stager.report.terminal import taken_out_sentence
from stager.staging.documents import Document, write_document


def write_report(
    project: Project,
    outcomes: Sequence[Outcome],
    *,
    state: str | None,
    written_at: str,
    check: SetReport | None = None,
) -> tuple[Document, ...]:
    """Write page, tables and notes, and return where; each file is there whole or not at all.

    Does not take the project's lock: a watch may be at work.

    `state` is the digest of stems and settings, as in a check of the set, None if unknown; `written_at` is the
    time to write on the page; `check` is a check made just now.

    Raises:
        PlaceError: where the outbox can't be written, or the ledger not be read.
    """
    sources = read_sources(project, state, MOST_TAKES, check)
    json_table, csv_table = write_tables(project, outcomes)
    outcomes = present(outcomes, sources)
    sidecars = [outcome.sidecar for outcome in outcomes if isinstance(outcome, Staged)]
    page = write_document(project, HTML_NAME, [page_text(project, outcomes, sources, written_at).encode()])
    refused = [outcome for outcome in outcomes if isinstance(outcome, Refused)]
    notes = notes_text(_notes(project, sidecars, refused, sources))
    return page, csv_table, json_table, write_document(project, NOTES_NAME, [notes.encode()])


def present(outcomes: Sequence[Outcome], sources: Sources) -> list[Outcome]:
    """Return the outcomes of the stems that are still in the inbox."""
    gone = {each.stem for each in sources.taken_out}
    return [outcome for outcome in outcomes if outcome.stem not in gone]


def _notes(project: Project, sidecars: Sequence[Sidecar], refused: Sequence[Refused], sources: Sources) -> Notes:
    about = project.settings.project
    return Notes(
        Song(project.name, about.tempo_bpm, about.key, about.notes),
        sidecars,
        _starts(sidecars, sources),
        refused=refused,
        taken_out=[taken_out_sentence(each.stem, each.copy) for each in sources.taken_out],
        lines=first_lines(sources.check.findings) if sources.check else (),
    )


def _starts(sidecars: Sequence[Sidecar], sources: Sources) -> dict[str, Fraction]:
    """Return the time stamps of the stems on the page, where the last check of the set is still true."""
    if sources.check is None or sources.check_says:
        return {}
    told = sources.check.starts_s
    return {sidecar.stem: Fraction(told[sidecar.stem]) for sidecar in sidecars if sidecar.stem in told}
