"""One stem through the whole way: read, measure, judge, apply. Nothing is published here.

`prepare` is a pure function of a job but for the two drafts it leaves in the outbox: the copy and its sidecar, sealed
and checked. The original is open for reading only; its fingerprint is taken before the first read and after the last.
"""

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Final

from stager import __version__
from stager.apply import Applied, apply_trim, check_fits
from stager.errors import ChangedStem, NameRefused, NotFiniteStem
from stager.figures import figures_after
from stager.files import Draft, draft_in, placing
from stager.hear import Heard, hear, not_finite_sentence
from stager.judge import (
    Hint,
    LinkMember,
    LinkTrim,
    allowed,
    link_member,
    member_trim,
    over_ceiling,
    percussive_hint,
    second_role_hint,
    with_bus_offset,
)
from stager.meters import Overview
from stager.model import (
    CopyInfo,
    Fingerprint,
    Levels,
    ProjectStamp,
    Sidecar,
    StagerStamp,
    Target,
    TrimDecision,
    worst,
)
from stager.names import shown
from stager.outbox import CopyPlace, copy_place
from stager.project import Project
from stager.sound import Sound, sounding

RULES_VERSION: Final = 5
"""Rises when the same stem under the same settings would get another trim, finding or copy."""


@dataclass(frozen=True)
class StemJob:
    """One stem to stage, and what earlier runs know of it.

    `relative` is the path below the inbox as the system gives it. `known_sha256` is the source whose copy lies in the
    outbox and is up to date; `former_sha256` the source of the last copy, `version` that copy's (0: none yet), and
    `own_sha256s` the copies of this stem that we have written. `clash` says why its copy can't have its name.

    A stem in a link is staged once its group is decided: `member` is what it brought to the decision `link_trim`, and
    `heard` what was heard of it then, where that was in this run.
    """

    project: Project
    relative: str
    known_sha256: str | None = None
    former_sha256: str | None = None
    version: int = 0
    own_sha256s: frozenset[str] = frozenset()
    clash: str | None = None
    member: LinkMember | None = None
    link_trim: LinkTrim | None = None
    heard: Heard | None = None

    @property
    def path(self) -> Path:
        """Where the original lies."""
        return self.project.inbox / self.relative

    @property
    def stem(self) -> str:
        """The path below the inbox, printable."""
        return shown(self.relative)


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
    """The bytes are those whose copy lies in the outbox already."""

    fingerprint: Fingerprint


def prepare(job: StemJob) -> Prepared | Unchanged:
    """Measure a stem, decide its trim, and write copy and sidecar as drafts.

    Raises:
        StemError: where this stem can't be staged.
        PlaceError: where the outbox can't be written.
    """
    heard = _heard(job, keep=not job.project.plugins_for(job.stem, "step"))
    if heard.source.sha256 == job.known_sha256:
        return Unchanged(heard.fingerprint)
    with sounding(job.project, job.stem, job.path, heard, keep=True) as sound:
        return _prepared(job, sound)


def _prepared(job: StemJob, sound: Sound) -> Prepared:
    heard, (levels, trim) = sound.heard, decided(job, sound)
    place = copy_place(job.project, job.relative, sound.stored, job.own_sha256s)
    copy_draft = draft_in(place.path.parent)
    try:
        settings = job.project.settings.copy_
        applied = apply_trim(job.path, heard, trim.gain_db, settings, copy_draft, sound.processed)
        sidecar = _sidecar(job, sound, levels, trim, _copy_info(job, heard, place, trim.target, applied))
        sidecar_draft = _sidecar_draft(sidecar, place)
    except BaseException:
        copy_draft.discard()
        raise
    return Prepared(
        sidecar,
        place,
        copy_draft,
        sidecar_draft,
        heard.fingerprint,
        sound.measured.overview,
        _hints(job, levels, trim),
        job.member,
        job.link_trim,
    )


def decided(job: StemJob, sound: Sound) -> tuple[Levels, TrimDecision]:
    """Give a stem's levels and its trim; nothing is written.

    Raises:
        StemError: where this stem can't be staged.
    """
    target = job.project.target_for(job.stem)
    levels, average_after = sound.levels(target), figures_after(sound.measured, target)["average"]
    if job.member is None or job.link_trim is None:
        trim = sound.trim(levels, target)
    elif sound.heard.source.sha256 == job.member.source_sha256:
        trim = member_trim(job.link_trim, job.member, average_after)
    else:
        raise ChangedStem(f"{job.stem}: expected the file that its link was decided with, found another")
    return levels, with_bus_offset(trim, job.project.bus_offset_db, average_after)


def measure_member(job: StemJob) -> tuple[Heard, LinkMember] | Unchanged:
    """Measure a stem of a link: what it brings to the decision about its group; nothing is written.

    Raises:
        StemError: where this stem can't be staged.
    """
    heard = _heard(job)
    if heard.source.sha256 == job.known_sha256:
        return Unchanged(heard.fingerprint)
    target, role = job.project.target_for(job.stem), job.project.role_for(job.stem)
    with sounding(job.project, job.stem, job.path, heard, keep=False) as sound:
        member = link_member(
            job.stem,
            heard.source.sha256,
            sound.levels(target),
            target,
            figures_after(sound.measured, target),
            clip_guard_dbfs=sound.clip_guard_dbfs,
            role=role.name if role else None,
        )
    return heard, member


def _heard(job: StemJob, *, keep: bool = False) -> Heard:
    if job.clash:
        raise NameRefused(job.clash)
    settle_s = job.project.settings.project.settle_s
    named = os.path.relpath(job.path, job.project.folder)
    heard = job.heard or hear(job.path, named, settle_s=settle_s, keep=keep)
    if heard.measured.not_finite_frame is not None:
        raise NotFiniteStem(f"{job.stem}: expected finite samples. {not_finite_sentence(heard.measured)}")
    return heard


def _copy_info(job: StemJob, heard: Heard, place: CopyPlace, target: Target, applied: Applied) -> CopyInfo:
    levels = applied.figures.levels(target.reference, target.channels)
    return CopyInfo(
        path=_below(job.project, place.path),
        sha256=applied.sha256,
        encoding=applied.figures.info.encoding,
        dither="tpdf" if applied.dithered else "none",
        bit_identical=applied.sha256 == heard.source.sha256,
        sample_peak_dbfs=levels.sample_peak_dbfs,
        true_peak_dbtp=levels.true_peak_dbtp,
        average_dbfs=levels.average_dbfs,
        chunks=applied.written.chunks,
        not_carried=applied.written.not_carried,
    )


def rehearse(job: StemJob) -> Sidecar:
    """Give the sidecar as it would be, without a copy; nothing is written.

    Raises:
        StemError: where this stem can't be staged.
    """
    with sounding(job.project, job.stem, job.path, _heard(job), keep=False) as sound:
        levels, trim = decided(job, sound)
        check_fits(job.path, sound.measured, trim.gain_db, sound.stored)
        copy_place(job.project, job.relative, sound.stored, job.own_sha256s)
        return _sidecar(job, sound, levels, trim, None)


def _sidecar(job: StemJob, sound: Sound, levels: Levels, trim: TrimDecision, made: CopyInfo | None) -> Sidecar:
    limits, part, heard = job.project.limits_for(job.stem), PurePosixPath(job.stem).stem, sound.heard
    found = sound.findings(levels, limits, gain_db=trim.gain_db, part=part)
    findings = allowed(
        [*found, *sound.plugin_findings(levels), *over_ceiling(levels, trim)], job.project.allowed_for(job.stem)
    )
    return Sidecar(
        schema="stager/sidecar/1",
        stem=job.stem,
        version=max(1, job.version + (job.former_sha256 not in (None, heard.source.sha256))),
        source=heard.source,
        levels=levels,
        trim=trim,
        findings=findings,
        verdict=worst(findings),
        copy=made,
        steps=sound.stamps,
        project=ProjectStamp(name=job.project.name, settings_sha256=job.project.settings_sha256_for(job.stem)),
        stager=StagerStamp(version=__version__),
        staged_at=datetime.now(UTC).isoformat(timespec="milliseconds"),
    )


def _sidecar_draft(sidecar: Sidecar, place: CopyPlace) -> Draft:
    draft = draft_in(place.path.parent)
    try:
        with placing(draft.path):
            draft.file.write(sidecar.to_json().encode())
        draft.seal()
    except BaseException:
        draft.discard()
        raise
    return draft


def _hints(job: StemJob, levels: Levels, trim: TrimDecision) -> tuple[Hint, ...]:
    roles = [role.name for role in job.project.roles_for(job.stem)]
    hints = (percussive_hint(job.stem, levels, trim), second_role_hint(job.stem, roles))
    return tuple(hint for hint in hints if hint)


def _below(project: Project, path: Path) -> str:
    """A path as seen from the project file's folder, with `/`, printable."""
    return shown(Path(os.path.relpath(path, project.folder)))
