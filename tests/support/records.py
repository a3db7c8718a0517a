"""The package's own records and projects, for tests of its rooms; tests from outside do without this file."""

from pathlib import Path
from typing import Any

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
        "project": ProjectStamp(name="Salt Road", settings_sha256="cc", file="../stager.toml"),
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
