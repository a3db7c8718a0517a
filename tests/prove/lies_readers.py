"""Other readers of audio files, and whether a copy holds what they hear in its original, times the gain.

Source of the tolerance: triangular dither of two LSB reaches 1 LSB and rounding 0.5 (Wannamaker, Lipshitz, Vanderkooy,
Wright, IEEE Trans. Signal Processing 48(2), 2000); rounding to p bits moves a float by 2^-p of it (IEEE 754).
"""

import shutil
import subprocess
import warnings
from collections.abc import Callable
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import numpy as np
import soundfile
from scipy.io import wavfile as scipy_wave

from tests.prove.lies_draft import FORMATS, WIDE, Draft, Part
from tests.support.wavefile import Array

SCIPY_SCALES: Final = {"int16": 2.0**-15, "int32": 2.0**-31, "int64": 2.0**-63, "float32": 1.0, "float64": 1.0}
FLOAT_PARTS: Final = {"FLOAT": 2.0**-24, "DOUBLE": 2.0**-52}
SLACK: Final = 1.0 + 1e-6
LEAD_BYTES: Final = {"AIFF": 8, "AIFC": 8, "CAF": 4}
"""Between the header of the audio chunk and its first sample, by form."""
SAMPLE_BYTES: Final = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
ALONE: Final = "libsndfile, of format and audio alone"
COARSE: Final = {"sox": 2.0**-31}
"""Readers that hear in steps: sox works in 32-bit integers."""
SOX: Final = shutil.which("sox")


def _by_libsndfile(path: Path, _channels: int) -> Array | None:
    try:
        return np.asarray(soundfile.read(path, always_2d=True)[0])
    except soundfile.LibsndfileError:
        return None


def _by_scipy(path: Path, _channels: int) -> Array | None:
    """What scipy's own reader of WAVE files says; it knows no other form."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            _, codes = scipy_wave.read(path)
    except Exception:  # noqa: BLE001  # whatever a reader stumbles over, it has no answer
        return None
    scale = SCIPY_SCALES.get(codes.dtype.name)
    return None if scale is None else np.asarray(codes, np.float64).reshape(len(codes), -1) * scale


def _by_sox(path: Path, channels: int) -> Array | None:
    if SOX is None:
        return None
    done = subprocess.run([SOX, "-D", "-V1", path, "-t", "f64", "-"], capture_output=True, check=False)
    whole = done.returncode == 0 and len(done.stdout) % (8 * channels) == 0
    return np.frombuffer(done.stdout, "<f8").reshape(-1, channels) if whole else None


READERS: Final[dict[str, Callable[[Path, int], Array | None]]] = {
    "libsndfile": _by_libsndfile,
    "scipy": _by_scipy,
    "sox": _by_sox,
}
"""In the order in which they are asked; sox is a process of its own, so the last."""


def agreement(original: Path, copy: Path, draft: Draft, sidecar: dict[str, Any]) -> tuple[bool, str]:
    """Return whether the first reader that opens the original agrees with its copy, and its name or what it disputes.

    Where no reader opens the original as it is, libsndfile is given its format and audio without anything around them.
    """
    for path in (original, copy):
        _rename_form(path)
    for name, read in READERS.items():
        heard = read(original, sidecar["source"]["channels"])
        if heard is not None and len(heard):
            found = read(copy, sidecar["source"]["channels"])
            says = _disputed(heard, found, draft, sidecar, COARSE.get(name, 0.0))
            return says is None, name if says is None else f"{name}: {says}"
    says = _alone_agrees(copy, draft, sidecar)
    return says is None, says or ALONE


def _rename_form(path: Path) -> None:
    """Put the name that other readers know into a BW64 file; the layout is the same."""
    content = path.read_bytes()
    if content.startswith(b"BW64"):
        path.write_bytes(b"RF64" + content[4:])


def _alone_agrees(copy: Path, draft: Draft, sidecar: dict[str, Any]) -> str | None:
    """Compare original and copy as libsndfile hears their format and audio without anything around; None: it agrees.

    Where the audio of the copy lies is looked for by the name of its chunk.
    """
    frames, audio = sidecar["source"]["frames"], draft.stated_audio()
    if draft.part(FORMATS) is None or audio is None:
        return "staged without a format or without audio"
    heard, before = _heard_alone(draft, audio.payload), LEAD_BYTES.get(draft.form, 0)
    if heard is None or len(heard) < frames:
        return f"staged with {frames} frames, libsndfile hears {None if heard is None else len(heard)} of its audio"
    content, size = copy.read_bytes(), before + frames * heard.shape[1] * SAMPLE_BYTES[sidecar["copy"]["encoding"]]
    at = content.find(audio.name)
    while at >= 0:
        start = at + (24 if draft.form == "W64" else 12 if draft.form == "CAF" else 8)
        found = _heard_alone(draft, content[start : start + size])
        if found is not None and _disputed(heard[:frames], found[:frames], draft, sidecar, 0.0) is None:
            return None
        at = content.find(audio.name, at + 1)
    return "its copy does not hold what libsndfile hears in its audio alone"


def _heard_alone(draft: Draft, payload: bytes) -> Array | None:
    """What libsndfile hears in a file of the same format with this audio, and nothing else."""
    parts = [Part(part.name, part.payload) for part in (draft.part(FORMATS), draft.stated_audio()) if part]
    parts[1].payload = payload
    bare = Draft(draft.random, "RIFF" if draft.form in WIDE else draft.form, draft.kind, parts)
    with suppress(soundfile.LibsndfileError):
        return np.asarray(soundfile.read(BytesIO(bare.content()), always_2d=True)[0])
    return None


def _disputed(heard: Array, copy: Array | None, draft: Draft, sidecar: dict[str, Any], coarse: float) -> str | None:
    """Return what a reader disputes about a copy; None where it agrees. `coarse` is the step that it hears in."""
    frames = sidecar["source"]["frames"]
    if sidecar["source"]["container"] == "W64" and copy is not None:  # libsndfile goes on to the end of the file
        heard, copy = heard[:frames], copy[:frames]
    if copy is None or heard.shape != copy.shape or frames != len(heard):
        return f"it hears {heard.shape} in {frames} frames, in the copy {None if copy is None else copy.shape}"
    if sidecar["copy"]["bit_identical"]:
        return None if np.array_equal(heard, copy) else "other samples in a copy of the same bytes"
    expected, room = heard * 10.0 ** (sidecar["trim"]["gain_db"] / 20.0), np.zeros(1)
    encoding = sidecar["copy"]["encoding"]
    if encoding in FLOAT_PARTS:
        room = FLOAT_PARTS[encoding] * np.abs(expected) + 2.0**-149
    else:
        lsb = 2.0 ** (1 - draft.valid_bits)
        expected = np.clip(expected, -1.0, 1.0 - lsb)
        room = np.array([(1.5 if sidecar["copy"]["dither"] == "tpdf" else 0.5) * lsb + 1e-3 * 2.0**-31])
    room = room + coarse * (1.0 + 10.0 ** (sidecar["trim"]["gain_db"] / 20.0))
    worst = float((np.abs(copy - expected) / (room * SLACK)).max())
    return None if worst <= 1.0 else f"a sample is {worst:.3g} times as far away as dither and rounding reach"
