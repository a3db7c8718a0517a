"""Decides a stem's trim under a project: by its link, a plug-in's rule, or its target, and then the mix bus."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, TypedDict

from stager.analysis.analyse import StemAnalysis
from stager.analysis.level_panel import rms_dbfs
from stager.analysis.panel import Measured
from stager.containers import clip_guard_linear
from stager.errors import ChangedStem
from stager.judge import (
    FigureAfter,
    LinkMember,
    LinkTrim,
    decide_by_rule,
    decide_trim,
    link_member,
    member_trim,
    reason,
    with_bus_offset,
    with_reasons,
)
from stager.model import DecidedBy, Levels, ReasonCode, Target, TrimDecision
from stager.plugins.chain import Work
from stager.plugins.opinions import rule_wants
from stager.project import StemSettings
from stager.staging.copy_spec import CopySpec, copy_stream, planned_copy
from stager.units import SINE_CREST_DB, db_from_linear

MONO_ON_TWO_SPEAKERS_DB: Final = SINE_CREST_DB
"""A mono stem is heard from both speakers: twice the power, so that it gets the trim of its dual-mono file."""


class _Known(TypedDict):
    """What every decision takes beside levels and target."""

    average_after: FigureAfter
    clip_guard_dbfs: float | None
    role: str | None


@dataclass(frozen=True)
class StemDecision:
    """What is decided of a stem: its trim, the levels that it was decided on, and what its copy must be."""

    levels: Levels
    trim: TrimDecision
    spec: CopySpec


def decide(
    settings: StemSettings, analysis: StemAnalysis, member: LinkMember | None = None, link_trim: LinkTrim | None = None
) -> StemDecision:
    """Decide a stem's trim and copy; `member` is what a stem in a link brought to the decision `link_trim`.

    Raises:
        StemError: where this stem can't be staged.
    """
    levels = analysis.levels(settings.target.reference, settings.target.channels)
    average_after = figures_after(analysis.figures, settings.target)["average"]
    if member is None or link_trim is None:
        trim = _own_trim(settings, analysis, levels)
    elif analysis.source.sha256 == member.source_sha256:
        trim = member_trim(link_trim, member, average_after)
    else:
        raise ChangedStem(settings.stem, "expected the file that its link was decided with, found another")
    trim = with_bus_offset(trim, settings.bus_offset_db, average_after)
    steps = [stamp.name for stamp in analysis.stamps]
    spec = planned_copy(analysis.measured.info, analysis.figures.info, settings.copy, trim.gain_db, steps)
    return StemDecision(levels, trim, spec)


def member_of(settings: StemSettings, analysis: StemAnalysis) -> LinkMember:
    """Return what a stem brings to the decision of its link."""
    return link_member(
        settings.stem,
        analysis.source.sha256,
        analysis.levels(settings.target.reference, settings.target.channels),
        settings.target,
        figures_after(analysis.figures, settings.target),
        clip_guard_dbfs=_clip_guard_dbfs(settings, analysis),
        role=settings.role,
    )


def _own_trim(settings: StemSettings, analysis: StemAnalysis, levels: Levels) -> TrimDecision:
    """Decide the trim of a stem that is in no link.

    Raises:
        StepFailed: where a plug-in's rule fails.
    """
    target = settings.target
    figures = figures_after(analysis.figures, target)
    known: _Known = {
        "average_after": figures["average"],
        "clip_guard_dbfs": _clip_guard_dbfs(settings, analysis),
        "role": settings.role,
    }
    if settings.rule:
        wanted = rule_wants(Work(settings.stem, (settings.rule,), settings.folder), levels)
        return decide_by_rule(levels, target, settings.rule.source.name, wanted.gain_db, wanted.because, **known)
    rule = "average" if figures[target.rule](0.0) is None and target.rule != "leave" else target.rule
    trim = decide_trim(levels, target.model_copy(update={"rule": rule}), figures[rule], **known)
    if trim.decided_by is DecidedBy.SILENT:
        return trim.model_copy(update={"target": target})
    fallback = [reason(ReasonCode.FALLBACK, rule=target.rule)] * (rule != target.rule)
    short = [reason(ReasonCode.SHORT)] * analysis.figures.average.short
    return with_reasons(trim, *fallback, *short, target=target)


def _clip_guard_dbfs(settings: StemSettings, analysis: StemAnalysis) -> float | None:
    """The sample peak that dither can't push over the top code of the copy's grid; None for float."""
    guard = clip_guard_linear(copy_stream(analysis.measured.info, analysis.figures.info, settings.copy))
    return None if guard is None else db_from_linear(guard)


def figures_after(measured: Measured, target: Target) -> Mapping[str, FigureAfter]:
    """Return the figure of each rule as a function of the gain in dB, which is None where there is no such figure."""

    def average(gain_db: float) -> float | None:
        figure = rms_dbfs(measured.average.stem(target.channels, gain_db).power, target.reference)
        return None if figure is None else figure + gain_db

    def peak(gain_db: float) -> float | None:
        figure = db_from_linear(max(measured.sample_peaks.linear))
        return None if figure is None else figure + gain_db

    def loudness(gain_db: float) -> float | None:
        speakers_db = MONO_ON_TWO_SPEAKERS_DB if measured.info.channels == 1 else 0.0
        return measured.loudness.integrated_lufs(gain_db + speakers_db) if measured.loudness else None

    def vu(gain_db: float) -> float | None:
        deflection = measured.vu.stem_linear(measured.average, target.channels, gain_db) if measured.vu else 0.0
        figure = db_from_linear(deflection)
        return None if figure is None else figure + gain_db

    return {"average": average, "loudness": loudness, "vu": vu, "peak": peak, "leave": average}
