"""Stems of an invented set, for tests of what a set is found to have."""

from typing import Any

from stager.model import Encoding, Finding, Verdict
from stager.model.handover import StemFacts


def fact(stem: str = "bass.wav", **changes: Any) -> StemFacts:
    """A 24-bit stereo stem of ten seconds at 48 kHz without fault, but for the changes."""
    parts = {
        "stem": stem,
        "encoding": Encoding.PCM_24,
        "valid_bits": 24,
        "sample_rate_hz": 48_000,
        "channels": 2,
        "frames": 480_000,
        "sample_peak_dbfs": -8.0,
        "true_peak_dbtp": -7.9,
        "average_dbfs": -20.0,
        "used_bits": 24,
    }
    return StemFacts(**{**parts, **changes})


def several(*changes: dict[str, Any]) -> list[StemFacts]:
    """Stems named a.wav, b.wav and on, each with its changes; without other ones, their peaks are all apart."""
    stems = []
    for place, change in enumerate(changes):
        peak = -6.0 - 0.37 * place
        stems.append(fact(f"{'abcdefghijklmnopqrstuvwxyz'[place]}.wav", **{**peaks(peak), **change}))
    return stems


def peaks(dbfs: float) -> dict[str, float]:
    """A sample peak, and a true peak a little above it."""
    return {"sample_peak_dbfs": dbfs, "true_peak_dbtp": dbfs + 0.1}


def found(code: str, verdict: Verdict = Verdict.USABLE, at_s: float | None = None) -> Finding:
    """A stem's own finding."""
    return Finding(code=code, verdict=verdict, worst_at_s=at_s, says="x")
