"""Applies a trim: writes the copy into a draft, reads it back, fills in the figures that only it can give.

The original is opened for reading once more; its fingerprint must be that from when it was measured, and so must the
hash of what is read again. A short one is not: the very bytes that were measured are copied.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from stager.analysis.analyse import StemAnalysis
from stager.analysis.level_panel import LevelFigures
from stager.analysis.panel import Figure, Measured, Panel
from stager.containers import (
    AudioFile,
    CopyCheck,
    CopyPlan,
    FinalFigures,
    LoudnessFields,
    Written,
    fill_fields,
    fingerprint_of,
    open_audio,
    write_copy,
)
from stager.errors import ChangedStem, CopyWrong, PlaceError, StemError, UnsupportedStem, WouldClip
from stager.meters import Samples
from stager.model import StreamInfo
from stager.staging.copy_spec import CopySpec
from stager.system.files import Draft, placing, sha256_of
from stager.system.prefetch import busy, prefetched
from stager.system.printable import shown
from stager.units import db_from_linear, linear_from_db

Blocks = Callable[[], Iterator[Samples]]


@dataclass(frozen=True)
class Applied:
    """A finished copy in its draft: what it measures, its hash, and its chunks."""

    figures: LevelFigures
    sha256: str
    written: Written


def render(path: Path, analysis: StemAnalysis, spec: CopySpec, draft: Draft) -> Applied:
    """Write the copy of a stem, of what its steps made of it where it has any, and seal the draft.

    Raises:
        ChangedStem: where the original is no longer the file that was measured.
        WouldClip: where the result does not fit the copy's integer grid.
        PlaceError: where the disk fails, or gives back other bytes than were written.
    """
    check_fits(path, analysis.figures, spec)
    with open_audio(path, settle_s=0.0, kept=analysis.kept) as source:
        blocks = analysis.processed.blocks if analysis.processed else None
        plan = copy_plan(source, analysis.source.sha256, spec, analysis.figures, blocks)
        written = _write(path, analysis, plan, draft)
        figures, found_sha256 = _finish(path, draft, written, plan)
        if fingerprint_of(path) != analysis.fingerprint:
            raise _changed(path)
    draft.seal()
    return Applied(figures, found_sha256, written)


def _write(path: Path, analysis: StemAnalysis, plan: CopyPlan, draft: Draft) -> Written:
    with placing(draft.path), busy():
        written = write_copy(plan, draft.file)
        draft.file.flush()
        if not analysis.fingerprint == plan.source.fingerprint() == fingerprint_of(path):
            raise _changed(path)
    return written


def _changed(path: Path) -> ChangedStem:
    return ChangedStem(shown(path.name), "expected one file from the first read to the last, found it changed")


def copy_plan(source: AudioFile, sha256: str, spec: CopySpec, figures: Measured, blocks: Blocks | None) -> CopyPlan:
    """Return what the containers need to write a copy; `blocks` are the samples that steps gave, if any."""
    gain = None if spec.is_original else spec.gain(sha256, figures.silences, figures.equal_channels)
    return CopyPlan(source, sha256, gain, spec.after, spec.history, blocks)


def _finish(path: Path, draft: Draft, written: Written, plan: CopyPlan) -> tuple[Measured, str]:
    """Read the copy back, compare it with its plan, fill in what waits for its figures; return these, and its hash."""
    with_loudness = any(waiting.name == b"bext" for waiting in written.open_fields)
    try:
        with draft.syncing():
            wanted = frozenset({Figure.LOUDNESS} if with_loudness else ())
            figures, found_sha256, difference = _read_back(draft.path, wanted, plan)
    except StemError as error:
        if isinstance(error.__cause__, OSError):
            raise PlaceError(f"{shown(draft.path)}: expected to read the copy back, found: {error}") from error
        raise UnsupportedStem(shown(path.name), f"expected a copy that can be read, found: {error}") from error
    if _shape(figures.info) != _shape(plan.info):
        raise UnsupportedStem(shown(path.name), f"expected a copy of the same shape, found {figures.info}")
    if written.sha256 not in (None, found_sha256):
        raise PlaceError(f"{shown(draft.path)}: expected the copy as it was written, the disk gives back other bytes")
    if difference:
        _raise_difference(path, difference, plan)
    if not written.open_fields:
        return figures, found_sha256
    with placing(draft.path):
        fill_fields(draft.file, written, _final_figures(figures))
    filled_sha256 = sha256_of(draft.path)
    if filled_sha256 is None:
        raise PlaceError(f"{shown(draft.path)}: expected to read the copy back, the disk does not give it")
    return figures, filled_sha256


def _raise_difference(path: Path, difference: str, plan: CopyPlan) -> None:
    if plan.source.fingerprint() != fingerprint_of(path):
        raise _changed(path)
    raise CopyWrong(shown(path.name), f"expected a copy that is original times gain, found that {difference}")


def _read_back(path: Path, wanted: frozenset[Figure], plan: CopyPlan) -> tuple[Measured, str, str | None]:
    """Measure the copy from its own bytes; return its figures, its hash, and how it differs from its plan."""
    digest = sha256()
    with open_audio(path, settle_s=0.0) as copy, busy():
        panel, check = Panel(copy.info, wanted, alone=True), CopyCheck(plan, copy)
        for block in prefetched(copy.blocks(digest)):
            panel.update(block)
            check.update(block)
    return panel.result(), digest.hexdigest(), check.difference()


def _final_figures(figures: Measured) -> FinalFigures:
    loudness = figures.loudness
    true_peak = db_from_linear(max(figures.true_peaks.linear))
    fields = LoudnessFields(max_true_peak_dbtp=true_peak)
    if loudness:
        fields = LoudnessFields(
            loudness.integrated_lufs(),
            loudness.range_lu(),
            true_peak,
            loudness.momentary_max_lufs,
            loudness.short_term_max_lufs,
        )
    return FinalFigures(fields, figures.sample_peaks.linear, figures.sample_peaks.at_frames)


def _shape(info: StreamInfo) -> tuple[object, ...]:
    return info.encoding, info.valid_bits, info.sample_rate_hz, info.channels, info.frames


def check_fits(path: Path, figures: Measured, spec: CopySpec) -> None:
    """Check that no sample lands beyond the codes of an integer grid; half a step beyond is rounding, not clipping.

    Raises:
        WouldClip: where one does.
    """
    if not spec.after.encoding.is_integer:
        return
    peak = max(figures.sample_peaks.linear) * linear_from_db(spec.gain_db)
    if peak > 1.0 + 0.5 * 2.0 ** (1 - spec.after.valid_bits):
        over = db_from_linear(peak)
        name, grid = shown(path.name), spec.after.encoding.value
        raise WouldClip(name, f"expected samples within full scale for a copy in {grid}, found {over:+.2f} dBFS")
