"""Signals and small WAV files for tests, made with numpy and struct alone: nothing here uses the code under test.

Only the records and the project at the end are the package's own: a test needs them to ask it anything.
"""

import os
import struct
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stager.judge import decide_trim
from stager.model import (
    Advice,
    ChannelLevels,
    ChunkLog,
    CopyInfo,
    Encoding,
    Finding,
    Levels,
    ProjectStamp,
    Sidecar,
    SourceInfo,
    StagerStamp,
    StepStamp,
    StreamInfo,
    Target,
    Verdict,
)
from stager.project import Project, load_project

Samples = NDArray[np.float64]
Chunks = Sequence[tuple[bytes, bytes]]

SUBFORMAT_TAIL = bytes.fromhex("000000001000800000aa00389b71")


def frames_of(values: ArrayLike) -> Samples:
    """Give an array as (frames, channels) float64; one dimension becomes one channel."""
    array = np.array(values, np.float64)
    return array.reshape(len(array), -1)


def sine(hz: float, seconds: float, *, rate_hz: int = 48_000, peak: float = 1.0, phase: float = 0.0) -> Samples:
    """One channel of a sine."""
    at = np.arange(round(seconds * rate_hz)) / rate_hz
    return frames_of(peak * np.sin(2 * np.pi * hz * at + phase))


def noise(frames: int, channels: int = 1, *, seed: int = 1, rms: float = 0.1) -> Samples:
    """White Gaussian noise, held inside full scale."""
    return np.clip(np.random.default_rng(seed).normal(0.0, rms, (frames, channels)), -0.99, 0.99)


def cut(block: Samples, edges: Iterable[int]) -> list[Samples]:
    """Cut a signal at these frames; each part is a copy, so that a meter may write into it."""
    inner = sorted({edge for edge in edges if 0 < edge < len(block)})
    bounds = [0, *inner, len(block)]
    return [block[start:stop].copy() for start, stop in pairwise(bounds)]


def integers(codes: ArrayLike, bits: int) -> bytes:
    """Pack integer codes, little-endian, in the fewest bytes that hold so many bits."""
    size = -(-bits // 8)
    wide = np.asarray(codes).astype("<i8").reshape(-1, 1).view(np.uint8)
    return wide[:, :size].tobytes()


def quantised(samples: Samples, bits: int) -> NDArray[np.int64]:
    """Round samples to the nearest code, without dither, held inside the codes."""
    scale = 2 ** (bits - 1)
    return np.clip(np.rint(samples * scale), -scale, scale - 1).astype(np.int64)


def chunk(name: bytes, payload: bytes) -> bytes:
    """One RIFF chunk: name, size, payload, and a pad byte where the size is odd."""
    return name + struct.pack("<I", len(payload)) + payload + b"\0" * (len(payload) & 1)


def format_of(
    bits: int,
    channels: int,
    rate_hz: int = 48_000,
    *,
    tag: int = 1,
    valid_bits: int | None = None,
    sample_bytes: int | None = None,
) -> bytes:
    """The payload of a format chunk; with `valid_bits` an extensible one."""
    size = sample_bytes or -(-bits // 8)
    plain = struct.pack("<HIIHH", channels, rate_hz, rate_hz * channels * size, channels * size, bits)
    if valid_bits is None:
        return struct.pack("<H", tag) + plain
    return struct.pack("<H", 0xFFFE) + plain + struct.pack("<HHIH", 22, valid_bits, 0, tag) + SUBFORMAT_TAIL


def riff(fmt: bytes, audio: bytes, *, before: Chunks = (), after: Chunks = ()) -> bytes:
    """A whole WAVE file; chunks of (name, payload) before and after the audio."""
    parts = [(b"fmt ", fmt), *before, (b"data", audio), *after]
    body = b"WAVE" + b"".join(chunk(name, payload) for name, payload in parts)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def wav(samples: ArrayLike, bits: int = 24, rate_hz: int = 48_000, **around: Chunks) -> bytes:
    """A PCM WAVE file of these samples (full scale 1.0), rounded to the nearest code."""
    block = frames_of(samples)
    return riff(format_of(bits, block.shape[1], rate_hz), integers(quantised(block, bits), bits), **around)


def float_wav(samples: ArrayLike, rate_hz: int = 48_000, *, bits: int = 32, **around: Chunks) -> bytes:
    """A float WAVE file of these samples."""
    block = frames_of(samples)
    return riff(
        format_of(bits, block.shape[1], rate_hz, tag=3),
        block.astype("<f4" if bits == 32 else "<f8").tobytes(),
        **around,
    )


def written(path: Path, content: bytes, *, age_s: float = 0.0) -> Path:
    """Write a file, with the folders above it, as if it had last changed so long ago."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    if age_s:
        then = time.time() - age_s
        os.utime(path, (then, then))
    return path


@contextmanager
def in_memory() -> Iterator[Path]:
    """Give a new folder on a disk in memory where the system has one, for tests that sync a thousand times."""
    shared = Path("/dev/shm")  # noqa: S108 - a new folder in it, under a name of its own
    with TemporaryDirectory(dir=shared if os.access(shared, os.W_OK) else None) as folder:
        yield Path(folder)


def tree(folder: Path) -> dict[str, bytes]:
    """Give every file below a folder with its bytes, hidden ones too."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def stream(
    bits: int = 24, channels: int = 1, frames: int = 0, *, rate_hz: int = 48_000, encoding: Encoding | None = None
) -> StreamInfo:
    """A stream of so many valid bits; 0 bits is 32-bit float."""
    kinds = {0: Encoding.FLOAT, 16: Encoding.PCM_16, 24: Encoding.PCM_24, 32: Encoding.PCM_32}
    return StreamInfo(
        container="WAV",
        encoding=encoding or kinds[bits],
        valid_bits=bits,
        sample_rate_hz=rate_hz,
        channels=channels,
        frames=frames,
    )


def levels(**changes: Any) -> Levels:
    """Levels of a stem at -20 dBFS with a peak of -8, but for the changes."""
    channel = {
        "sample_peak_dbfs": -8.0,
        "sample_peak_at_s": 1.0,
        "true_peak_dbtp": -8.0,
        "true_peak_at_s": 1.0,
        "average_dbfs": -20.0,
        "average_ungated_dbfs": -21.0,
        "crest_db": 16.0,
        "active_ratio": 1.0,
        "dc_offset_linear": 0.0,
    }
    each = ChannelLevels(**channel)
    return Levels(**{**channel, "average_reference": "sine", "per_channel": (each,), **changes})


def sidecar(**changes: Any) -> Sidecar:
    """A sidecar of a stem raised by 2 dB, every part filled in, but for the changes."""
    source = SourceInfo(
        path="bounces/kick.wav",
        sha256="aa",
        bytes=100,
        container="WAV",
        encoding=Encoding.PCM_24,
        sample_rate_hz=48000,
        channels=1,
        frames=48000,
        duration_s=1.0,
    )
    copy = CopyInfo(
        path="staged/kick.wav",
        sha256="bb",
        encoding=Encoding.PCM_24,
        dither="tpdf",
        bit_identical=False,
        sample_peak_dbfs=-6.0,
        true_peak_dbtp=-6.0,
        average_dbfs=-18.0,
        chunks=ChunkLog(kept=("fmt ",), rewritten=("data",)),
    )
    parts: dict[str, Any] = {
        "schema": "stager/sidecar/1",
        "stem": "kick.wav",
        "version": 1,
        "source": source,
        "levels": levels(extra={"spread": None}),
        "trim": decide_trim(levels(), Target(), lambda gain: -20.0 + gain),
        "findings": (Finding(code="clipped", verdict=Verdict.LISTEN, at_s=(0.5,), measured={"n": 1.0}, says="x"),),
        "verdict": Verdict.LISTEN,
        "advice": Advice(input_change_db=-3, says="down"),
        "copy": copy,
        "steps": (StepStamp(name="high_pass", version="1", origin="stager 1", settings={"cutoff_hz": 60.0}),),
        "project": ProjectStamp(name="Salt Road", settings_sha256="cc"),
        "stager": StagerStamp(version="0.1.0"),
        "staged_at": "2026-01-01T00:00:00.000+00:00",
    }
    return Sidecar(**{**parts, **changes})


def project(folder: Path, text: str = "") -> Project:
    """A project in this folder, its inbox `bounces` and outbox `staged` made."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "stager.toml").write_text(text, encoding="utf-8")
    loaded = load_project(folder)
    loaded.inbox.mkdir(parents=True, exist_ok=True)
    loaded.outbox.mkdir(parents=True, exist_ok=True)
    return loaded
