"""All four reports of a project, written into its outbox."""

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

from stager.files import write_whole
from stager.judge import first_lines
from stager.model import Outcome, Refused, Sidecar, Staged
from stager.project import Project
from stager.report.html import HTML_NAME, MOST_TAKES, page_text
from stager.report.html_sources import Sources, read_sources
from stager.report.notes import NOTES_NAME, Notes, Song, notes_text
from stager.report.tables import CSV_NAME, JSON_NAME, write_tables


def write_report(
    project: Project, outcomes: Sequence[Outcome], *, state: str | None, written_at: str
) -> tuple[Path, ...]:
    """Write page, tables and notes; gives their places. Takes no lock; each file is there whole or not at all.

    `state` names the state of stems and settings as a check of the set does, None where that can't be told now;
    `written_at` is the time to write on the page.

    Raises:
        PlaceError: where the outbox can't be written, or the ledger not be read.
    """
    sidecars = [outcome.sidecar for outcome in outcomes if isinstance(outcome, Staged)]
    sources = read_sources(project, state, MOST_TAKES)
    write_tables(project, outcomes)
    write_whole(project.outbox / HTML_NAME, page_text(project, outcomes, sources, written_at).encode())
    refused = [outcome for outcome in outcomes if isinstance(outcome, Refused)]
    write_whole(project.outbox / NOTES_NAME, notes_text(_notes(project, sidecars, refused, sources)).encode())
    return tuple(project.outbox / name for name in (HTML_NAME, CSV_NAME, JSON_NAME, NOTES_NAME))


def _notes(project: Project, sidecars: Sequence[Sidecar], refused: Sequence[Refused], sources: Sources) -> Notes:
    about = project.settings.project
    return Notes(
        Song(project.name, about.tempo_bpm, about.key, about.notes),
        sidecars,
        _starts(sidecars, sources),
        refused=refused,
        lines=first_lines(sources.check.findings) if sources.check else (),
    )


def _starts(sidecars: Sequence[Sidecar], sources: Sources) -> dict[str, Fraction]:
    """Give the time stamps of the stems on the page, as far as the last check of the set saw them as they are now."""
    if sources.check is None or sources.check_says:
        return {}
    told = sources.check.starts_s
    return {sidecar.stem: Fraction(told[sidecar.stem]) for sidecar in sidecars if sidecar.stem in told}
