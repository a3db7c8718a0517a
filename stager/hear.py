"""Reads one file from end to end, measures it and judges what needs no project."""

import hashlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from stager.ahead import ahead, at_work
from stager.containers import AudioFile, KeptBytes, fingerprint_of, open_audio
from stager.errors import ChangedStem
from stager.judge import (
    channel_findings,
    clipped,
    clipped_below_overs,
    condition_findings,
    corrupt,
    dropout,
    inter_sample_over,
    over_full_scale,
    padded_stem,
    silent,
)
from stager.meters import Measured, Panel
from stager.model import Finding, Fingerprint, Levels, SourceInfo, Verdict
from stager.model.condition import Condition
from stager.model.limits import Limits
from stager.names import bytes_hex, shown

MOST_KEPT_BYTES: Final = 96 << 20
"""A longer file is read twice: once to measure it, once to copy it."""
LIMITS: Final = Limits()
"""The thresholds where nobody set others."""


@dataclass(frozen=True)
class Heard:
    """What reading a file told: its stream and hash, everything that was measured, and which file it was.

    `cut_short` says that its header promises more than the file holds; `kept` holds its bytes, where that was asked for
    and they are few enough.
    """

    source: SourceInfo
    measured: Measured
    fingerprint: Fingerprint
    cut_short: bool
    kept: KeptBytes | None = field(default=None, repr=False, compare=False)


def hear(path: Path, named: str, *, settle_s: float, take_cut: bool = False, keep: bool = False) -> Heard:
    """Read a file from end to end and measure it; `named` is its path as the result gives it.

    With `keep`, its bytes are kept where that is worth it, so that a copy is made of the very bytes that were measured.

    Raises:
        StemError: where it can't be read as a whole; with `take_cut` a file that was cut short is measured as it is.
    """
    before = fingerprint_of(path)
    with open_audio(path, settle_s=settle_s, take_cut=take_cut) as file, at_work():
        heard = _heard(file, named, before, keep=keep)
    if fingerprint_of(path) != before:
        raise ChangedStem(f"{shown(path.name)}: expected one file from the first read to the last, found it changed")
    return heard


def findings_of(
    heard: Heard, levels: Levels, limits: Limits = LIMITS, *, gain_db: float | None = None, part: str = "the part"
) -> list[Finding]:
    """Judge what was heard; damage comes first. A role may set the limits.

    `gain_db` is the trim, None where there is none; `part` is what sentences call it.
    """
    condition = heard.measured.condition or Condition()
    return [
        *_damage(heard, levels, limits),
        *silent(levels),
        *condition_findings(condition, levels, gain_db, limits, part),
        *channel_findings(condition.microphones, levels, limits),
        *padded_stem(heard.measured.info, heard.measured.used_bits),
    ]


def _damage(heard: Heard, levels: Levels, limits: Limits) -> list[Finding]:
    measured, info = heard.measured, heard.measured.info
    found = clipped(measured.flat_tops, info, limits)
    if measured.overs.count and not any(finding.code == "clipped" for finding in found):
        found += clipped_below_overs(measured.rails, info, limits)
    return [
        *_corrupt(heard),
        *found,
        *over_full_scale(measured.overs, info, levels),
        *dropout(measured.gaps, measured.flat_tops, info, limits),
        *([] if _is_damaged(found) else inter_sample_over(levels, limits)),
    ]


def _is_damaged(found: list[Finding]) -> bool:
    return any(finding.verdict is not Verdict.USABLE for finding in found)


def _corrupt(heard: Heard) -> list[Finding]:
    first, info = heard.measured.not_finite_frame, heard.measured.info
    findings = []
    if first is not None:
        findings.append(corrupt(not_finite_sentence(heard.measured), first / info.sample_rate_hz))
    if heard.cut_short:
        says = f"Cut short: its header promises more than the {info.duration_s:.2f} s that are there."
        findings.append(corrupt(says, info.duration_s))
    return findings


def not_finite_sentence(measured: Measured) -> str:
    """Say how many samples are no numbers, and where the first one stands."""
    at_s = (measured.not_finite_frame or 0) / measured.info.sample_rate_hz
    count = "1 sample is" if measured.not_finite == 1 else f"{measured.not_finite} samples are"
    return f"Damaged: {count} no level at all (NaN, infinity or beyond +360 dBFS), the first at {at_s:.3f} s."


def _heard(file: AudioFile, named: str, before: Fingerprint, *, keep: bool) -> Heard:
    panel, digest = Panel(file.info), hashlib.sha256()
    kept = KeptBytes(digest) if keep and file.may_be_kept and file.file_bytes <= MOST_KEPT_BYTES else None
    for block in ahead(file.blocks(kept or digest)):
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
    return Heard(source, panel.result(), before, file.unfinished is not None, kept)
