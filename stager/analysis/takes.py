"""One take: measured, judged, and what to do with the input before the next one. Nothing is written here."""

import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from stager.analysis.analyse import analyse
from stager.errors import ChangedStem, InternalError, StemError, StillGrowingStem, internal_errors
from stager.judge import Aim, advise, allowed, compare_takes, without_a_raise
from stager.judge.lift import is_level_check, latest_pair
from stager.model import Fingerprint, worst
from stager.model.takes import LearnedLift, LiftPair, RefusedTake, Take, TakeLevels, TakeOutcome
from stager.project import Project
from stager.system.error_log import log_traceback
from stager.system.files import fingerprint_if_there
from stager.system.printable import shown
from stager.system.version import VERSION


def judge_take(
    project: Project, relative: str, earlier: Sequence[str] = (), lift: LearnedLift | None = None
) -> tuple[TakeOutcome, Fingerprint | None]:
    """Measure and judge a take; return it with the fingerprint of its file.

    `earlier` are the paths of the takes before it; `lift` is what is known of its part, allowed for in a level check.

    Raises:
        StillGrowingStem: where its writer has not finished; look again.
        ChangedStem: likewise.
    """
    assert project.takes is not None
    path, name = project.takes / relative, shown(relative)
    try:
        with internal_errors(name):
            return _judged(project, path, name, earlier, lift)
    except (StillGrowingStem, ChangedStem):
        raise
    except StemError as error:
        if isinstance(error, InternalError):
            log_traceback(project.state, name, error.traceback, VERSION)
        return RefusedTake(take=name, at=_now(), refused=error.code, says=error.says), fingerprint_if_there(path)


def _judged(
    project: Project, path: Path, name: str, earlier: Sequence[str], lift: LearnedLift | None
) -> tuple[Take, Fingerprint]:
    named, settle_s = os.path.relpath(path, project.folder), project.settings.project.settle_s
    analysis = analyse(path, named, settle_s=settle_s, take_cut=True)
    levels, limits = analysis.levels(), project.limits_for(name)
    found = analysis.findings(levels, limits, part=PurePosixPath(name).stem, is_take=True)
    findings = allowed(found, project.allowed_for(name))
    recording = project.settings.recording
    is_check = is_level_check(name, analysis.source.duration_s, earlier, limits)
    advice = advise(
        levels,
        Aim(recording.peak_dbfs, recording.average_dbfs, recording.tolerance_db),
        event=analysis.loudest_event,
        findings=findings,
        duration_s=analysis.source.duration_s,
        limits=limits,
        lift=lift if is_check else None,
        is_check=is_check,
    )
    take = Take(
        take=name,
        at=_now(),
        source=analysis.source,
        levels=levels,
        findings=findings,
        verdict=worst(findings),
        advice=advice,
        level_check=is_check,
    )
    return take, analysis.fingerprint


def with_history(take: TakeOutcome, before: list[Take]) -> TakeOutcome:
    """Return a take with what is learned from it and the earlier ones, which are in order."""
    if isinstance(take, RefusedTake):
        return take
    found = compare_takes([_levels(earlier) for earlier in (*before, take)])
    if found is None:
        return take
    advice = take.advice
    if advice and found.changed == "playing" and found.level_change_db < 0.0:
        peaks = [earlier.levels.sample_peak_dbfs for earlier in before if earlier.take in found.earlier]
        advice = without_a_raise(advice, [peak for peak in peaks if peak is not None])
    advice = advice and advice.model_copy(update={"says": f"{advice.says} {found.says}"})
    return take.model_copy(update={"learned": found.says, "advice": advice})


def lift_of(project: Project, take: TakeOutcome, before: list[Take]) -> LiftPair | None:
    """Return the pair that a take makes with the level check before it; None for a check, and where it makes none."""
    if isinstance(take, RefusedTake) or take.level_check:
        return None
    checks = [_levels(earlier) for earlier in before if earlier.level_check]
    return latest_pair(shown(project.folder), checks, _levels(take))


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
