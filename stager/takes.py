"""One take: measured, judged, and what to do with the input before the next one. Nothing is written here."""

import os
from datetime import UTC, datetime
from pathlib import PurePosixPath

from stager.containers import fingerprint_if_there
from stager.errors import ChangedStem, StemError, StillGrowingStem
from stager.hear import findings_of, hear
from stager.inbox import files_in, is_file_in
from stager.judge import Aim, advise, allowed, learned
from stager.model import Advice, Fingerprint, worst
from stager.model.take import RefusedTake, Take, TakeOutcome
from stager.model.takes import TakeLevels
from stager.names import shown
from stager.project import Project


def takes_in(project: Project) -> list[str]:
    """Give the recordings below the folder of takes, in order of name; nothing where the project has none.

    Raises:
        PlaceError: where the folder can't be looked through.
    """
    return files_in(project, project.takes) if project.takes else []


def is_take(project: Project, relative: str) -> bool:
    """Say whether a recording lies under this name now."""
    return project.takes is not None and is_file_in(project, project.takes, relative)


def judge_take(project: Project, relative: str) -> tuple[TakeOutcome, Fingerprint | None]:
    """Measure and judge a take; gives it with what the file was.

    Raises:
        StillGrowingStem: where it is too early; look again.
        ChangedStem: likewise.
    """
    assert project.takes is not None
    path, name = project.takes / relative, shown(relative)
    try:
        heard = hear(
            path, os.path.relpath(path, project.folder), settle_s=project.settings.project.settle_s, take_cut=True
        )
    except (StillGrowingStem, ChangedStem):
        raise
    except StemError as error:
        return RefusedTake(take=name, at=_now(), refused=error.code, says=str(error)), fingerprint_if_there(path)
    levels, limits = heard.measured.levels("sine", "loudest"), project.limits_for(name)
    found = findings_of(heard, levels, limits, part=PurePosixPath(name).stem)
    findings = allowed(found, project.allowed_for(name))
    recording = project.settings.recording
    advice = advise(
        levels,
        Aim(recording.peak_dbfs, recording.average_dbfs, recording.tolerance_db),
        event=heard.measured.condition.loudest_event if heard.measured.condition else None,
        findings=findings,
        duration_s=heard.source.duration_s,
        limits=limits,
    )
    take = Take(
        take=name,
        at=_now(),
        source=heard.source,
        levels=levels,
        findings=findings,
        verdict=worst(findings),
        advice=advice,
    )
    return take, heard.fingerprint


def with_history(take: TakeOutcome, before: list[Take]) -> TakeOutcome:
    """Add what a take tells beside the earlier ones, which are in order."""
    if isinstance(take, RefusedTake):
        return take
    found = learned([_levels(earlier) for earlier in (*before, take)])
    if found is None:
        return take
    advice = take.advice and Advice(
        input_change_db=take.advice.input_change_db, says=f"{take.advice.says} {found.says}"
    )
    return take.model_copy(update={"learned": found.says, "advice": advice})


def _levels(take: Take) -> TakeLevels:
    return TakeLevels(
        stem=take.take,
        at=take.at,
        average_dbfs=take.levels.average_dbfs,
        sample_peak_dbfs=take.levels.sample_peak_dbfs,
        noise_floor_dbfs=take.levels.noise_floor_dbfs,
        verdict=take.verdict,
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
