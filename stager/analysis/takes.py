"""One take: measured, judged, and what to do with the input before the next one. Nothing is written here."""

import os
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from stager.analysis.analyse import analyse
from stager.errors import ChangedStem, InternalError, StemError, StillGrowingStem, internal_errors
from stager.judge import Aim, advise, allowed, compare_takes
from stager.model import Fingerprint, worst
from stager.model.takes import RefusedTake, Take, TakeLevels, TakeOutcome
from stager.project import Project
from stager.system.error_log import log_traceback
from stager.system.files import fingerprint_if_there
from stager.system.printable import shown
from stager.system.version import VERSION


def judge_take(project: Project, relative: str) -> tuple[TakeOutcome, Fingerprint | None]:
    """Measure and judge a take; return it with the fingerprint of its file.

    Raises:
        StillGrowingStem: where its writer has not finished; look again.
        ChangedStem: likewise.
    """
    assert project.takes is not None
    path, name = project.takes / relative, shown(relative)
    try:
        with internal_errors(name):
            return _judged(project, path, name)
    except (StillGrowingStem, ChangedStem):
        raise
    except StemError as error:
        if isinstance(error, InternalError):
            log_traceback(project.state, name, error.traceback, VERSION)
        return RefusedTake(take=name, at=_now(), refused=error.code, says=str(error)), fingerprint_if_there(path)


def _judged(project: Project, path: Path, name: str) -> tuple[Take, Fingerprint]:
    named, settle_s = os.path.relpath(path, project.folder), project.settings.project.settle_s
    analysis = analyse(path, named, settle_s=settle_s, take_cut=True)
    levels, limits = analysis.levels(), project.limits_for(name)
    found = analysis.findings(levels, limits, part=PurePosixPath(name).stem, is_take=True)
    findings = allowed(found, project.allowed_for(name))
    recording = project.settings.recording
    advice = advise(
        levels,
        Aim(recording.peak_dbfs, recording.average_dbfs, recording.tolerance_db),
        event=analysis.loudest_event,
        findings=findings,
        duration_s=analysis.source.duration_s,
        limits=limits,
    )
    take = Take(
        take=name,
        at=_now(),
        source=analysis.source,
        levels=levels,
        findings=findings,
        verdict=worst(findings),
        advice=advice,
    )
    return take, analysis.fingerprint


def with_history(take: TakeOutcome, before: list[Take]) -> TakeOutcome:
    """Return a take with what is learned from it and the earlier ones, which are in order."""
    if isinstance(take, RefusedTake):
        return take
    found = compare_takes([_levels(earlier) for earlier in (*before, take)])
    if found is None:
        return take
    advice = take.advice and take.advice.model_copy(update={"says": f"{take.advice.says} {found.says}"})
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
