"""Applies a trim: writes the copy into a draft, reads it back, fills in the figures that only it can give.

The original is opened for reading once more; its fingerprint must be that from when it was measured, and so must the
hash of what is read again. A short one is not: the very bytes that were measured are copied.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from stager import __version__
from stager.ahead import ahead, at_work
from stager.containers import (
    CopyPlan,
    FinalFigures,
    Gain,
    LoudnessFields,
    Written,
    fill_fields,
    fingerprint_of,
    open_audio,
    write_copy,
)
from stager.errors import ChangedStem, PlaceError, StemError, UnsupportedStem, WouldClip
from stager.files import Draft, placing, sha256_of
from stager.hear import Heard
from stager.meters import Figure, LevelFigures, Measured, Panel
from stager.model import Encoding, StreamInfo
from stager.names import shown
from stager.project import CopySettings
from stager.steps.processing import Processed
from stager.units import db_from_linear, linear_from_db


@dataclass(frozen=True)
class Applied:
    """A finished copy in its draft: what it measures, its hash, its chunks, whether it was dithered."""

    figures: LevelFigures
    sha256: str
    written: Written
    dithered: bool


def copy_stream(info: StreamInfo, settings: CopySettings) -> StreamInfo:
    """Give the stream of a copy: the original's, in the encoding that the project asks for."""
    if settings.encoding in ("same", info.encoding.value):
        return info
    encoding = Encoding(settings.encoding)
    bits = 8 * encoding.sample_bytes if encoding.is_integer else 0
    return info.model_copy(update={"encoding": encoding, "valid_bits": bits})


def stored_stream(heard: Heard, settings: CopySettings, processed: Processed | None) -> StreamInfo:
    """Give the stream of a stem's copy, with the shape that its steps gave it."""
    return copy_stream(processed.as_original if processed else heard.measured.info, settings)


def apply_trim(
    path: Path,
    heard: Heard,
    gain_db: float,
    settings: CopySettings,
    draft: Draft,
    processed: Processed | None = None,
) -> Applied:
    """Write the copy of a stem that was heard, of what its steps made of it where it has any, and seal the draft.

    Raises:
        ChangedStem: where the original is no longer the file that was measured.
        WouldClip: where the result does not fit the copy's integer grid.
        PlaceError: where the disk fails, or gives back other bytes than were written.
    """
    measured = processed.measured if processed else heard.measured
    before, after = measured.info, stored_stream(heard, settings, processed)
    check_fits(path, measured, gain_db, after)
    dithered = settings.dither == "tpdf" and needs_rounding(before, after, gain_db)
    gain = Gain(linear_from_db(gain_db), dithered, heard.source.sha256, measured.silences)
    with open_audio(path, settle_s=0.0, kept=heard.kept) as source, placing(draft.path), at_work():
        as_it_is = gain_db == 0.0 and after == before and processed is None
        steps = processed.names if processed else ()
        what = history_words(__version__, gain_db, dithered=dithered, steps=steps)
        blocks = processed.blocks if processed else None
        plan = CopyPlan(source, heard.source.sha256, None if as_it_is else gain, after, what, blocks)
        written = write_copy(plan, draft.file)
        draft.file.flush()
        if not heard.fingerprint == source.fingerprint() == fingerprint_of(path):
            raise ChangedStem(
                f"{shown(path.name)}: expected one file from the first read to the last, found it changed"
            )
    figures, found_sha256 = _finish(path, draft, written, after)
    draft.seal()
    return Applied(figures, found_sha256, written, dithered)


def history_words(version: str, gain_db: float, *, dithered: bool, steps: Sequence[str] = ()) -> str:
    """Give the words for the coding history of a copy, with the names of its steps; no clock is in them."""
    words = [f"stager {version}", *steps, f"gain {gain_db:+g} dB", *(["TPDF dither"] if dithered else [])]
    return "; ".join(words)


def needs_rounding(before: StreamInfo, after: StreamInfo, gain_db: float) -> bool:
    """Say whether samples land on an integer grid again, other than on its points."""
    coarser = not before.encoding.is_integer or after.valid_bits < before.valid_bits
    return after.encoding.is_integer and (gain_db != 0.0 or coarser)


def _finish(path: Path, draft: Draft, written: Written, expected: StreamInfo) -> tuple[Measured, str]:
    """Read the copy back, and fill in what waits for its figures; gives them, and its hash."""
    with_loudness = any(waiting.name == b"bext" for waiting in written.open_fields)
    try:
        with draft.syncing():
            figures, found_sha256 = _read_back(draft.path, frozenset({Figure.LOUDNESS} if with_loudness else ()))
    except StemError as error:
        if isinstance(error.__cause__, OSError):
            raise PlaceError(f"{shown(draft.path)}: expected to read the copy back, found: {error}") from error
        raise UnsupportedStem(f"{shown(path.name)}: expected a copy that can be read, found: {error}") from error
    if _shape(figures.info) != _shape(expected):
        raise UnsupportedStem(f"{shown(path.name)}: expected a copy of the same shape, found {figures.info}")
    if written.sha256 not in (None, found_sha256):
        raise PlaceError(f"{shown(draft.path)}: expected the copy as it was written, the disk gives back other bytes")
    if not written.open_fields:
        return figures, found_sha256
    with placing(draft.path):
        fill_fields(draft.file, written, _final_figures(figures))
    filled_sha256 = sha256_of(draft.path)
    if filled_sha256 is None:
        raise PlaceError(f"{shown(draft.path)}: expected to read the copy back, the disk does not give it")
    return figures, filled_sha256


def _read_back(path: Path, wanted: frozenset[Figure]) -> tuple[Measured, str]:
    digest = sha256()
    with open_audio(path, settle_s=0.0) as copy, at_work():
        panel = Panel(copy.info, wanted, alone=True)
        for block in ahead(copy.blocks(digest)):
            panel.update(block)
    return panel.result(), digest.hexdigest()


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


def check_fits(path: Path, measured: Measured, gain_db: float, after: StreamInfo) -> None:
    """See that no sample lands beyond the codes of an integer grid; half a step beyond is rounding, not clipping.

    Raises:
        WouldClip: where one does.
    """
    if not after.encoding.is_integer:
        return
    peak = max(measured.sample_peaks.linear) * linear_from_db(gain_db)
    if peak > 1.0 + 0.5 * 2.0 ** (1 - after.valid_bits):
        over = db_from_linear(peak)
        name, grid = shown(path.name), after.encoding.value
        raise WouldClip(f"{name}: expected samples within full scale for a copy in {grid}, found {over:+.2f} dBFS")
