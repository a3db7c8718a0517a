"""One stem through the whole way: read, measure, judge, apply. Nothing is published here.

`prepare` is a pure function of a job but for the two drafts it leaves in the outbox: the copy and its sidecar, sealed
and checked. The original is open for reading only; its fingerprint is taken before the first read and after the last.
"""

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Final

from stager.analysis.analyse import StemAnalysis
from stager.judge import (
    Hint,
    LinkMember,
    LinkTrim,
    allowed,
    out_of_reach,
    over_ceiling,
    percussive_hint,
    rule_not_used,
    second_role_hint,
)
from stager.meters import Overview
from stager.model import (
    CopyInfo,
    Finding,
    Fingerprint,
    ProjectStamp,
    Sidecar,
    StagerStamp,
    worst,
)
from stager.plugins.chain import Work
from stager.plugins.opinions import check_findings
from stager.staging.decide import StemDecision, decide, member_of
from stager.staging.outbox import CopyPlace, copy_place, levels_of_others, outbox_elsewhere
from stager.staging.ownership import project_file_from
from stager.staging.render import Applied, check_fits, render
from stager.staging.stem import StemJob, analysed
from stager.staging.steps import with_plugins
from stager.system.files import Draft, discarded, draft_in, sealed_draft
from stager.system.printable import shown
from stager.system.version import VERSION

RULES_VERSION: Final = 12
"""Rises when the same stem under the same settings would get another trim, finding or copy."""


@dataclass(frozen=True)
class Prepared:
    """A stem ready to be published: sealed drafts of copy and sidecar, their place, and what else is worth keeping."""

    sidecar: Sidecar
    place: CopyPlace
    copy_draft: Draft
    sidecar_draft: Draft
    fingerprint: Fingerprint
    overview: Overview | None
    hints: tuple[Hint, ...]
    member: LinkMember | None = None
    link_trim: LinkTrim | None = None

    def discard(self) -> None:
        """Remove the drafts."""
        self.copy_draft.discard()
        self.sidecar_draft.discard()


@dataclass(frozen=True)
class Unchanged:
    """The original's bytes are those whose copy is in the outbox already."""

    fingerprint: Fingerprint


def prepare(job: StemJob) -> Prepared | Unchanged:
    """Measure a stem, decide its trim, and write copy and sidecar as drafts.

    Raises:
        StemError: where this stem can't be staged.
        PlaceError: where the outbox can't be written.
    """
    analysis = analysed(job, keep=True)
    if analysis.source.sha256 == job.known_sha256:
        return Unchanged(analysis.fingerprint)
    with with_plugins(job.settings, job.path, analysis, job.project.state, keep=True) as analysis:
        decision = decide(job.settings, analysis, job.member, job.link_trim)
        place = copy_place(job.project, job.name, decision.spec.after, job.own_sha256s)
        below = outbox_elsewhere(job.project)
        with discarded(draft_in(place.path.parent, below)) as draft:
            applied = render(job.path, analysis, decision.spec, draft)
            sidecar = _sidecar(job, analysis, decision, place, _copy_info(job, analysis, decision, place, applied))
            return Prepared(
                sidecar,
                place,
                copy_draft=draft,
                fingerprint=analysis.fingerprint,
                overview=analysis.figures.overview,
                hints=_hints(job, sidecar),
                member=job.member,
                link_trim=job.link_trim,
                sidecar_draft=sealed_draft(place.path.parent, sidecar.to_json().encode(), below),
            )


def rehearse(job: StemJob) -> Sidecar:
    """Return the sidecar as it would be, without a copy; nothing is written.

    Raises:
        StemError: where this stem can't be staged.
    """
    with with_plugins(job.settings, job.path, analysed(job), job.project.state, keep=False) as analysis:
        decision = decide(job.settings, analysis, job.member, job.link_trim)
        check_fits(job.path, analysis.figures, decision.spec)
        place = copy_place(job.project, job.name, decision.spec.after, job.own_sha256s)
        return _sidecar(job, analysis, decision, place, None)


def measure_member(job: StemJob) -> tuple[StemAnalysis, LinkMember] | Unchanged:
    """Measure a stem of a link: what it brings to the link's decision; nothing is written.

    Raises:
        StemError: where this stem can't be staged.
    """
    analysis = analysed(job)
    if analysis.source.sha256 == job.known_sha256:
        return Unchanged(analysis.fingerprint)
    with with_plugins(job.settings, job.path, analysis, job.project.state, keep=False) as with_steps:
        return analysis, member_of(job.settings, with_steps)


def _copy_info(
    job: StemJob, analysis: StemAnalysis, decision: StemDecision, place: CopyPlace, applied: Applied
) -> CopyInfo:
    levels = applied.figures.levels(decision.trim.target.reference, decision.trim.target.channels)
    return CopyInfo(
        path=shown(Path(os.path.relpath(place.path, job.project.folder))),
        sha256=applied.sha256,
        encoding=applied.figures.info.encoding,
        dither="tpdf" if decision.spec.dithered else "none",
        bit_identical=applied.sha256 == analysis.source.sha256,
        sample_peak_dbfs=levels.sample_peak_dbfs,
        true_peak_dbtp=levels.true_peak_dbtp,
        average_dbfs=levels.average_dbfs,
        chunks=applied.written.chunks,
        not_carried=applied.written.not_carried,
    )


def _sidecar(
    job: StemJob, analysis: StemAnalysis, decision: StemDecision, place: CopyPlace, copy: CopyInfo | None
) -> Sidecar:
    findings = allowed(_findings(job, analysis, decision), job.settings.allowed)
    return Sidecar(
        schema="stager/sidecar/1",
        stem=job.settings.stem,
        version=max(1, job.version + (job.former_sha256 not in (None, analysis.source.sha256))),
        source=analysis.source,
        levels=decision.levels,
        trim=decision.trim,
        findings=findings,
        verdict=worst(findings),
        copy=copy,
        steps=analysis.stamps,
        project=ProjectStamp(
            name=job.project.name,
            settings_sha256=job.project.settings_sha256_for(job.settings.stem),
            file=project_file_from(job.project, place.path.parent),
        ),
        stager=StagerStamp(version=VERSION),
        staged_at=datetime.now(UTC).isoformat(timespec="milliseconds"),
    )


def _findings(job: StemJob, analysis: StemAnalysis, decision: StemDecision) -> list[Finding]:
    """Return what is found in a stem; plug-ins' checks are run, and a plug-in's rule that does not count is named.

    To the checks, the song's other stems are those that have a copy by now.
    """
    settings, trim = job.settings, decision.trim
    checks = Work(settings.stem, settings.plugins_of("check"), settings.folder)
    unused = () if settings.rule else settings.plugins_of("rule")[:1]
    others = levels_of_others(job.project, settings.stem) if checks.uses else {}
    return [
        *analysis.findings(
            decision.levels, settings.limits, gain_db=trim.gain_db, part=PurePosixPath(settings.stem).stem
        ),
        *(rule_not_used(use.source.name, settings.link) for use in unused),
        *check_findings(checks, decision.levels, others),
        *over_ceiling(decision.levels, trim),
        *out_of_reach(trim),
    ]


def _hints(job: StemJob, sidecar: Sidecar) -> tuple[Hint, ...]:
    roles = [role.name for role in job.project.roles_for(sidecar.stem)]
    hints = (percussive_hint(sidecar.stem, sidecar.levels, sidecar.trim), second_role_hint(sidecar.stem, roles))
    return tuple(hint for hint in hints if hint)
