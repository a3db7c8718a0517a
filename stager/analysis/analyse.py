"""Reads one file from end to end, measures it and judges what needs no project."""

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from stager.analysis.level_panel import Channels
from stager.analysis.panel import Measured, Panel
from stager.containers import AudioFile, KeptBytes, fingerprint_of, open_audio
from stager.errors import ChangedStem
from stager.judge import (
    channel_findings,
    clipped,
    clipped_before_coding,
    clipped_below_overs,
    condition_findings,
    corrupt,
    dropout,
    inter_sample_over,
    nothing_recorded,
    over_full_scale,
    padded_stem,
    silent,
)
from stager.meters import Samples
from stager.model import Finding, Fingerprint, Levels, Reference, SourceInfo, StepStamp, Verdict
from stager.model.condition import Condition, LoudestEvent
from stager.model.limits import Limits
from stager.system.prefetch import busy, prefetched
from stager.system.printable import bytes_hex, shown

MOST_KEPT_BYTES: Final = 96 << 20
"""A longer file is read twice: once to measure it, once to copy it."""
LIMITS: Final = Limits()
"""The thresholds where a role sets no others."""


@dataclass(frozen=True)
class Processed:
    """A stem as its steps left it: 64-bit float samples measured, the steps' stamps, and the samples where kept."""

    measured: Measured
    stamps: tuple[StepStamp, ...]
    blocks: Callable[[], Iterator[Samples]] | None = field(default=None, repr=False, compare=False)


@dataclass(frozen=True)
class StemAnalysis:
    """What reading a file from end to end gave: its stream and hash, its figures, and which file it was.

    `measured` holds the figures of the file, `processed` what its steps made of it, `extra` the figures of plug-in
    meters. `cut_short` says that the header promises more than the file holds; `kept` holds the file's bytes, where
    that was asked for and they are few enough.
    """

    source: SourceInfo
    measured: Measured
    fingerprint: Fingerprint
    cut_short: bool
    kept: KeptBytes | None = field(default=None, repr=False, compare=False)
    processed: Processed | None = None
    extra: Mapping[str, float | None] = field(default_factory=dict)

    @property
    def figures(self) -> Measured:
        """The figures that the trim is decided on: those of the file, or of what its steps made of it."""
        return self.processed.measured if self.processed else self.measured

    @property
    def loudest_event(self) -> LoudestEvent | None:
        """The loudest event of the file, where one stands out."""
        return self.measured.condition.loudest_event if self.measured.condition else None

    @property
    def stamps(self) -> tuple[StepStamp, ...]:
        """What a sidecar keeps of the steps."""
        return self.processed.stamps if self.processed else ()

    def levels(self, reference: Reference = "sine", channels: Channels = "loudest") -> Levels:
        """Return the levels that a trim is decided on, those of plug-in meters among them."""
        levels = self.figures.levels(reference, channels)
        return levels.model_copy(update={"extra": {**levels.extra, **self.extra}}) if self.extra else levels

    def findings(
        self,
        levels: Levels,
        limits: Limits = LIMITS,
        *,
        gain_db: float | None = None,
        part: str = "the part",
        is_take: bool = False,
    ) -> list[Finding]:
        """Return what is found in this stem, damage first; `levels` are its own.

        Damage and unused bits are those of the file, since no step mends a take; all else is judged on what comes out
        of the steps, since that is what a copy holds. `gain_db` is the trim, None where there is none; `part` is what
        sentences call the stem. Of a take, which is still in the recorder's folder, the advice is about the input.
        """
        as_read = self.measured.levels(levels.average_reference, "loudest") if self.processed else levels
        condition = self.figures.condition or Condition()
        return [
            *_damage(self, as_read, limits, is_take=is_take),
            *(nothing_recorded(levels) if is_take else silent(levels)),
            *condition_findings(condition, levels, gain_db, limits, part),
            *channel_findings(condition.microphones, levels, limits, is_take=is_take),
            *padded_stem(self.measured.info, self.measured.used_bits),
        ]

    def on_device(self, device: int) -> "StemAnalysis":
        """Return the same with the number that another machine gives the disk on which the file lies."""
        return replace(self, fingerprint=replace(self.fingerprint, device=device))


def analyse(path: Path, named: str, *, settle_s: float, take_cut: bool = False, keep: bool = False) -> StemAnalysis:
    """Read a file from end to end and measure it; `named` is its path as the result gives it.

    With `keep`, its bytes are kept where that is worth it, so that a copy is made of the very bytes that were measured.

    Raises:
        StemError: where it can't be read as a whole; with `take_cut` a file that was cut short is measured as it is.
    """
    before = fingerprint_of(path)
    with open_audio(path, settle_s=settle_s, take_cut=take_cut) as file, busy():
        analysis = _read(file, named, before, keep=keep)
    if fingerprint_of(path) != before:
        raise ChangedStem(shown(path.name), "expected one file from the first read to the last, found it changed")
    return analysis


def _damage(analysis: StemAnalysis, levels: Levels, limits: Limits, *, is_take: bool) -> list[Finding]:
    measured, info = analysis.measured, analysis.measured.info
    steps = measured.level_steps
    found = clipped(measured.flat_tops, info, limits, level_steps=steps, is_take=is_take)
    if measured.overs.count and not any(finding.code == "clipped" for finding in found):
        found += clipped_below_overs(measured.rails, info, limits, is_take=is_take)
    if not found:
        found += clipped_before_coding(measured.crest_piles, info, limits)
    return [
        *_corrupt(analysis),
        *found,
        *over_full_scale(measured.overs, info, levels, is_flat=bool(found)),
        *dropout(measured.gaps, measured.flat_tops, info, limits, level_steps=steps, is_take=is_take),
        *([] if _is_damaged(found) else inter_sample_over(levels, limits)),
    ]


def _is_damaged(found: list[Finding]) -> bool:
    return any(finding.verdict is not Verdict.USABLE for finding in found)


def _corrupt(analysis: StemAnalysis) -> list[Finding]:
    first, info = analysis.measured.not_finite_frame, analysis.measured.info
    findings = []
    if first is not None:
        findings.append(corrupt(not_finite_sentence(analysis.measured), first / info.sample_rate_hz))
    if analysis.cut_short:
        says = f"Cut short: its header promises more than the {info.duration_s:.2f} s that are there."
        findings.append(corrupt(says, info.duration_s))
    return findings


def not_finite_sentence(measured: Measured) -> str:
    """Return how many samples are not finite numbers, and where the first one is."""
    at_s = (measured.not_finite_frame or 0) / measured.info.sample_rate_hz
    count = "1 sample is" if measured.not_finite == 1 else f"{measured.not_finite} samples are"
    return f"Damaged: {count} no level at all (NaN, infinity or beyond +360 dBFS), the first at {at_s:.3f} s."


def _read(file: AudioFile, named: str, before: Fingerprint, *, keep: bool) -> StemAnalysis:
    panel, digest = Panel(file.info), hashlib.sha256()
    kept = KeptBytes(digest) if keep and file.may_be_kept and file.file_bytes <= MOST_KEPT_BYTES else None
    for block in prefetched(file.blocks(kept or digest)):
        panel.update(block)
    source = SourceInfo(
        path=shown(named),
        path_bytes=bytes_hex(named),
        sha256=digest.hexdigest(),
        bytes=file.file_bytes,
        container=file.info.container,
        encoding=file.info.encoding,
        sample_rate_hz=file.info.sample_rate_hz,
        channels=file.info.channels,
        frames=file.info.frames,
        duration_s=file.info.duration_s,
    )
    return StemAnalysis(source, panel.result(), before, file.unfinished is not None, kept)
