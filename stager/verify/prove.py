"""Re-reads originals and copies, stem by stem, and names every difference."""

import os
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from stager.analysis.level_panel import LevelPanel
from stager.containers import AudioFile, Gain, chunk_differences, open_audio, rescaled, start_frames
from stager.detectors import silence_meter
from stager.errors import InternalError, StemError, internal_errors
from stager.meters import EqualChannelsMeter
from stager.model import CopyInfo, Sidecar, StreamInfo
from stager.model.runs import Runs
from stager.project import Project
from stager.staging.copy_spec import recorded_copy
from stager.staging.ledger import LEDGER, Entry, read_entries
from stager.staging.outbox import own_copy, sidecar_of
from stager.system.files import sha256_of
from stager.system.printable import shown
from stager.verify.claims import (
    described_in,
    impossible_claims,
    is_possible_gain,
    original_of,
    staged_at_s,
    without_sidecar,
)
from stager.verify.diagnose import diagnose
from stager.verify.residual import Residual, residual_of
from stager.verify.stepped import Before, before_trim

FIGURE_TOLERANCE_DB: Final = 0.005

TAKEN_OUT: Final = "taken out of the inbox; its copy stays until you remove it"


@dataclass
class Verified:
    """One stem's proof: what differs, in sentences.

    `stale` where its original was bounced anew since, `taken_out` where it is no longer in the inbox.
    `steps` are the names of those that a copy went through, which makes it no pure trim; `notes` say what that means.
    `traceback` is that of an unexpected error, else empty; no document has it.
    """

    stem: str
    stale: bool = False
    taken_out: bool = False
    differences: list[str] = field(default_factory=list)
    residual: Residual | None = None
    steps: tuple[str, ...] = ()
    notes: list[str] = field(default_factory=list)
    chunks: dict[str, list[str]] = field(default_factory=dict)
    traceback: str = ""

    @property
    def ok(self) -> bool:
        """Whether nothing differs."""
        return not self.differences

    def to_data(self) -> dict[str, Any]:
        """Return its place in the JSON document."""
        return {
            "stem": self.stem,
            "ok": self.ok,
            "stale": self.stale,
            "taken_out": self.taken_out,
            "differences": self.differences,
            "residual_peak_lsb": self.residual.peak_lsb if self.residual else None,
            "residual_rms_lsb": self.residual.rms_lsb if self.residual else None,
            "residual_rms_expected_lsb": self.residual.expected_rms_lsb if self.residual else None,
            "chunks": self.chunks,
            "steps": list(self.steps),
            "notes": self.notes,
        }


def verify_project(project: Project) -> Iterator[Verified]:
    """Prove each copy that the ledger or a sidecar names; writes nothing and takes no lock."""
    known = [entry for entry in read_entries(project.state / LEDGER) if entry.copy_sha256]
    entries = {copy: entry for entry in known if (copy := own_copy(project, entry.copy_path))}
    expected = {copy for copy, entry in entries.items() if _is_expected(project, copy, entry)}
    for copy in sorted({*expected, *described_in(project)}):
        try:
            with internal_errors(shown(copy.relative_to(project.outbox))):
                verified = _verify(project, copy, entries.get(copy))
        except InternalError as error:
            says = f"it can't be compared: {error}"
            verified = Verified(shown(copy.relative_to(project.outbox)), differences=[says], traceback=error.traceback)
        yield verified


def _is_expected(project: Project, copy: Path, entry: Entry) -> bool:
    """Return whether a copy has to be there; a person may remove that of a stem taken out of the inbox."""
    if entry.state == "open" or project.inbox.is_dir():
        original = project.inbox / os.fsdecode(entry.key)
        return os.path.lexists(copy) or (entry.state != "open" and os.path.lexists(original))
    return True


def _verify(project: Project, copy: Path, entry: Entry | None) -> Verified:
    sidecar = sidecar_of(copy)
    stem = sidecar.stem if sidecar else entry.stem if entry else shown(copy.relative_to(project.outbox))
    result, made = Verified(stem), sidecar.copy_ if sidecar else None
    if sidecar is None or made is None:
        result.differences.append(without_sidecar(copy, entry))
        return result
    result.chunks = {fate: list(names) for fate, names in made.chunks} if any(dict(made.chunks).values()) else {}
    copy_sha256, original = sha256_of(copy), original_of(project, sidecar, entry)
    result.differences += [*impossible_claims(sidecar), *_hash_differences(copy_sha256, made)]
    found = sha256_of(original) if original else None
    if original is None or found is None:
        _note_no_original(project, original, copy, sidecar, result)
    elif found != sidecar.source.sha256:
        _note_other_original(result, original, sidecar, entry)
    if result.stale and copy_sha256:
        _look_at_copy(copy, sidecar, result)
    elif original and found == sidecar.source.sha256 and copy_sha256:
        _compare(project, original, copy, sidecar, result)
        _note_other_bytes(result, copy_sha256, sidecar)
    return result


def _hash_differences(found: str | None, made: CopyInfo) -> Iterator[str]:
    if found is None:
        yield "its copy is missing, or can't be read"
    elif found != made.sha256:
        yield "its copy is not the one that its sidecar describes: edited, swapped or damaged since"


def _note_no_original(project: Project, original: Path | None, copy: Path, sidecar: Sidecar, result: Verified) -> None:
    """An original that was taken out of the inbox is no difference; one that can't be read or is misnamed is."""
    names = (original, project.folder / sidecar.source.path)
    result.taken_out = project.inbox.is_dir() and not any(name and os.path.lexists(name) for name in names)
    if result.taken_out:
        result.notes.append(TAKEN_OUT)
        _look_at_copy(copy, sidecar, result)
    else:
        result.differences.append(_not_there(sidecar))


def _not_there(sidecar: Sidecar) -> str:
    return f"its original {sidecar.source.path} is not there to compare it with"


def _note_other_original(result: Verified, original: Path, sidecar: Sidecar, entry: Entry | None) -> None:
    """An original that changed after it was staged makes its copy stale; otherwise it is a difference.

    Where the ledger says that a later version was refused, or was being staged, it changed, whatever its time says.
    """
    try:
        modified_s = original.stat().st_mtime
    except OSError:
        result.differences.append(_not_there(sidecar))
        return
    staged_s = staged_at_s(sidecar)
    if (entry and entry.state != "staged") or (staged_s is not None and modified_s > staged_s):
        result.stale = True
    else:
        result.differences.append("its original is not the one that its sidecar describes")


def _look_at_copy(copy: Path, sidecar: Sidecar, result: Verified) -> None:
    """Compare a copy whose original is no longer there with its sidecar alone."""
    try:
        with open_audio(copy, settle_s=0.0) as after:
            result.differences += _claim_differences(after, sidecar)
    except StemError as error:
        result.differences.append(f"it can't be measured: {error}")


def _compare(project: Project, original: Path, copy: Path, sidecar: Sidecar, result: Verified) -> None:
    """Compare the two files, sample by sample and chunk by chunk."""
    try:
        with open_audio(original, settle_s=0.0) as plain, open_audio(copy, settle_s=0.0) as after, ExitStack() as stack:
            before = stack.enter_context(before_trim(project, sidecar, plain, result))
            if before is None:
                result.differences += _claim_differences(after, sidecar)
                return
            differences = list(_shape_differences(plain, before.info, after))
            if not differences and is_possible_gain(sidecar):
                spec = recorded_copy(sidecar, before.info, after.info)
                gain = spec.gain(sidecar.source.sha256, *_zeros_and_equals(before))
                result.residual = residual_of(before, after, gain, rounded=spec.is_rounded)
                differences += _sample_differences(result.residual, gain, after.info)
            if not differences or result.residual:
                differences += _claim_differences(after, sidecar)
            result.differences += [*differences, *_chunk_differences(plain, after, sidecar)]
    except StemError as error:
        result.differences.append(f"it can't be compared: {error}")


def _note_other_bytes(result: Verified, copy_sha256: str, sidecar: Sidecar) -> None:
    """A copy at trim 0 is its original's bytes: where no sentence says which ones differ, that they do."""
    made = sidecar.copy_
    if made and not result.differences and _as_it_is(sidecar) and copy_sha256 != sidecar.source.sha256:
        result.differences.append("it should be its original byte for byte, and has other bytes around its samples")


def _as_it_is(sidecar: Sidecar) -> bool:
    made = sidecar.copy_
    untouched = sidecar.trim.gain_db == 0.0 and not sidecar.steps
    return made is not None and untouched and made.encoding is sidecar.source.encoding


def _shape_differences(plain: AudioFile, before: StreamInfo, after: AudioFile) -> Iterator[str]:
    """Compare the copy's shape with what it should be: that of its original, or what the steps made of it."""
    whose = "as in its original" if before is plain.info else "as its steps give"
    for what, field_name in (("frames", "frames"), ("Hz", "sample_rate_hz"), ("channels", "channels")):
        wanted, found = getattr(before, field_name), getattr(after.info, field_name)
        if wanted != found:
            yield f"expected {wanted} {what} {whose}, found {found}"
    started = start_frames(plain)
    wanted = None if started is None else rescaled(started, plain.info, before)
    if wanted != start_frames(after):
        yield f"expected its time stamp at frame {wanted}, found {start_frames(after)}"


def _zeros_and_equals(before: Before) -> tuple[Runs, tuple[int, ...]]:
    """Where digital silence lies, and which channels are equal, found anew."""
    silences, equal = silence_meter(before.info.channels), EqualChannelsMeter(before.info.channels)
    for block in before.blocks():
        silences.update(block)
        equal.update(block)
    return silences.result(), equal.result()


def _sample_differences(residual: Residual, gain: Gain, info: StreamInfo) -> Iterator[str]:
    says = diagnose(residual, gain, info)
    if says:
        yield says


def _claim_differences(after: AudioFile, sidecar: Sidecar) -> Iterator[str]:
    """Measure the copy again, and compare with its sidecar."""
    if sidecar.copy_ and after.info.encoding is not sidecar.copy_.encoding:
        yield f"expected {sidecar.copy_.encoding} as its sidecar says, found {after.info.encoding}"
    panel, target = LevelPanel(after.info), sidecar.trim.target
    for block in after.blocks():
        panel.update(block)
    levels = panel.result().levels(target.reference, target.channels)
    for name in ("average_dbfs", "true_peak_dbtp", "sample_peak_dbfs"):
        stated, found = getattr(sidecar.copy_, name), getattr(levels, name)
        if (stated is None) != (found is None) or abs((stated or 0.0) - (found or 0.0)) > FIGURE_TOLERANCE_DB:
            yield f"its sidecar says {name} = {_figure(stated)}, its copy measures {_figure(found)}"


def _chunk_differences(before: AudioFile, after: AudioFile, sidecar: Sidecar) -> Iterator[str]:
    spec = recorded_copy(sidecar, before.info, after.info)
    as_it_is = spec.gain_db == 0.0 and before.info.encoding is after.info.encoding and not spec.steps
    yield from chunk_differences(before, after, spec.history, as_it_is=as_it_is)


def _figure(value: float | None) -> str:
    return "nothing" if value is None else f"{value:.3f}"
