"""What a stem's trim is decided on: the original as it was heard, or what its steps made of it.

Damage is judged on the original, since no step mends a take; all else on what comes out of the steps, since that is
what a copy holds.
"""

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final, TypedDict

from stager.apply import stored_stream
from stager.containers import clip_guard_linear, open_audio
from stager.figures import figures_after
from stager.hear import Heard, findings_of
from stager.judge import FigureAfter, decide_by_rule, decide_trim
from stager.judge.own_rule import rule_not_used
from stager.meters import Measured, Samples
from stager.model import DecidedBy, Finding, Levels, StepStamp, StreamInfo, Target, TrimDecision
from stager.model.limits import Limits
from stager.outbox import SIDECAR_SUFFIX, sidecar_of
from stager.project import Project
from stager.steps.extras import check_findings, extra_figures, rule_wants
from stager.steps.processing import Processed, processing, stream_of
from stager.steps.running import Work
from stager.units import db_from_linear

SIDECARS: Final = f"?*{SIDECAR_SUFFIX}"
OF_THE_ORIGINAL: Final = frozenset(
    ("clipped", "clipped_upstream", "over_full_scale", "inter_sample_over", "dropout", "corrupt", "padded_bits")
)
"""Codes of findings that are judged on the original, whatever steps come behind it."""


class _Known(TypedDict):
    """What every decision is told beside levels and target."""

    average_after: FigureAfter
    clip_guard_dbfs: float | None
    role: str | None


@dataclass(frozen=True)
class Sound:
    """One stem's sound; `stored` is the stream of its copy, `extra` the figures of plug-in meters."""

    project: Project
    stem: str
    heard: Heard
    processed: Processed | None = None
    extra: Mapping[str, float | None] = field(default_factory=dict)

    @property
    def measured(self) -> Measured:
        """What the trim is decided on."""
        return self.processed.measured if self.processed else self.heard.measured

    @property
    def stored(self) -> StreamInfo:
        """The stream of the copy."""
        return stored_stream(self.heard, self.project.settings.copy_, self.processed)

    @property
    def stamps(self) -> tuple[StepStamp, ...]:
        """What the sidecar keeps of the steps."""
        return self.processed.stamps if self.processed else ()

    def levels(self, target: Target) -> Levels:
        """Give the levels that the trim is decided on."""
        levels = self.measured.levels(target.reference, target.channels)
        return levels.model_copy(update={"extra": {**levels.extra, **self.extra}}) if self.extra else levels

    @property
    def clip_guard_dbfs(self) -> float | None:
        """The sample peak that dither can't push over the top code of the copy's grid; None for float."""
        guard = clip_guard_linear(self.stored)
        return None if guard is None else db_from_linear(guard)

    def trim(self, levels: Levels, target: Target) -> TrimDecision:
        """Decide the trim of a stem that is in no link: by its target, or by a rule that is a plug-in.

        Raises:
            StepFailed: where that rule fails.
        """
        role, figures = self.project.role_for(self.stem), figures_after(self.measured, target)
        known: _Known = {
            "average_after": figures["average"],
            "clip_guard_dbfs": self.clip_guard_dbfs,
            "role": role.name if role else None,
        }
        own = self.project.rule_for(self.stem)
        wanted = rule_wants(Work(self.stem, (own,) if own else (), self.project.folder), levels)
        if wanted is not None:
            return decide_by_rule(levels, target, wanted[0], wanted[1].gain_db, wanted[1].because, **known)
        rule = "average" if figures[target.rule](0.0) is None and target.rule != "leave" else target.rule
        decision = decide_trim(levels, target.model_copy(update={"rule": rule}), figures[rule], **known)
        notes = [decision.because]
        if decision.decided_by is not DecidedBy.SILENT:
            notes += [f"It has no {target.rule} figure, so its average counts."] * (rule != target.rule)
            notes += ["It is shorter than 400 ms, so it counts as one block."] * self.measured.average.short
        return decision.model_copy(update={"target": target, "because": " ".join(notes)})

    def findings(self, levels: Levels, limits: Limits, *, gain_db: float, part: str) -> list[Finding]:
        """Judge the stem; `levels` are those of this sound."""
        if self.processed is None:
            return findings_of(self.heard, levels, limits, gain_db=gain_db, part=part)
        as_heard = self.heard.measured.levels(levels.average_reference, "loudest")
        before = findings_of(self.heard, as_heard, limits, gain_db=gain_db, part=part)
        after = findings_of(replace(self.heard, measured=self.measured), levels, limits, gain_db=gain_db, part=part)
        damage = [finding for finding in before if finding.code in OF_THE_ORIGINAL]
        return [*damage, *(finding for finding in after if finding.code not in OF_THE_ORIGINAL)]

    def plugin_findings(self, levels: Levels) -> list[Finding]:
        """Ask the checks that are plug-ins, and say where a plug-in's rule means this stem and yet does not count.

        To the checks, the song's other stems are those that have a copy by now.

        Raises:
            StepFailed: where one fails.
        """
        checks, rules = (work_of(self.project, self.stem, kind) for kind in ("check", "rule"))
        link = self.project.link_for(self.stem)
        unused = [] if self.project.rule_for(self.stem) else rules.uses[:1]
        told = [rule_not_used(use.source.name, link.name if link else None) for use in unused]
        return [*told, *(check_findings(checks, levels, _others(self.project, self.stem)) if checks.uses else [])]


@contextmanager
def sounding(project: Project, stem: str, path: Path, heard: Heard, *, keep: bool) -> Iterator[Sound]:
    """Run a stem's steps, where it has any, and its meters; with `keep`, for as long, the samples lie ready for a copy.

    Raises:
        StemError: where a plug-in fails, or the original can't be read any more.
        PlaceError: where the samples can't be kept.
    """
    steps, meters = work_of(project, stem, "step"), work_of(project, stem, "meter")
    with ExitStack() as stack:
        processed = None
        if steps.uses:
            kept_in = project.state if keep or meters.uses else None
            processed = stack.enter_context(processing(steps, path, keep_in=kept_in))
        yield Sound(project, stem, heard, processed, _extra(meters, path, heard, processed))


def _others(project: Project, stem: str) -> dict[str, Levels]:
    """The levels of the other stems, from the sidecars in the outbox."""
    copies = (place.with_name(place.name.removesuffix(SIDECAR_SUFFIX)) for place in project.outbox.rglob(SIDECARS))
    found = [sidecar for copy in sorted(copies) if (sidecar := sidecar_of(copy))]
    return {sidecar.stem: sidecar.levels for sidecar in found if sidecar.stem != stem}


def work_of(project: Project, stem: str, kind: str) -> Work:
    """Give a stem's plug-ins of a kind, ready to be run."""
    return Work(stem, project.plugins_for(stem, kind), project.folder)


def _extra(meters: Work, path: Path, heard: Heard, processed: Processed | None) -> dict[str, float | None]:
    if not meters.uses:
        return {}
    if processed is not None:
        return extra_figures(meters, stream_of(processed.measured.info), processed.blocks)
    return extra_figures(meters, stream_of(heard.measured.info), lambda: _blocks(path))


def _blocks(path: Path) -> Iterator[Samples]:
    with open_audio(path, settle_s=0.0) as source:
        yield from source.blocks()
