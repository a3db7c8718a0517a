"""Meters on what sounds like music: true peak, loudness, hum and noise floor of hundreds of random parts."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.prove.proof import Proof, ProofContext
from tests.support import reference_levels
from tests.support.measured import measured
from tests.support.reference_loudness import integrated_lufs

RATES_HZ = (8_000, 44_100, 48_000, 96_000, 192_000)
TOP_OF_RATE = 0.45
BATCH = 20
SINC = "32x sinc of 4097 taps, Kaiser 9 (scipy)"
Samples = NDArray[Any]


def _music(rng: np.random.Generator, rate_hz: int, seconds: float) -> Samples:
    """Plucked notes and struck noise, stereo, with rests that fall silent; no note has a constant part."""
    frames = round(seconds * rate_hz)
    out = np.zeros((frames, 2))
    for start in np.arange(0.05, seconds - 0.3, rng.uniform(0.15, 0.5)):
        if start % 4.0 > 2.2:
            continue
        first, n = round(start * rate_hz), np.arange(min(frames - round(start * rate_hz), round(1.5 * rate_hz)))
        pitch = 55.0 * 2.0 ** (rng.integers(0, 48) / 12.0)
        top = max(1, min(20, int(TOP_OF_RATE * rate_hz / pitch)))
        note = sum(rng.uniform(0.4, 0.9) ** k * np.sin(2 * np.pi * k * pitch / rate_hz * n) for k in range(1, top + 1))
        if rng.random() < 0.3:
            note = rng.normal(size=len(n))
        decay = np.exp(-n / (rng.uniform(0.03, 0.15) * rate_hz)) * np.minimum(1.0, n / 30.0)
        wave = decay * (note - (decay * note).sum() / decay.sum())
        out[first : first + len(n)] += (rng.uniform(0.1, 1.0) * wave)[:, None] * rng.uniform(0.3, 1.0, 2)
    return 0.7 * out / np.abs(out).max()


def _limited(part: Samples) -> Samples:
    """The same with nothing above 0.45 of the rate, soft ends; its pauses ring a little, as a sharp filter does."""
    spectrum = np.fft.rfft(part, axis=0)
    spectrum[int(TOP_OF_RATE * len(part)) :] = 0.0
    limited = np.fft.irfft(spectrum, len(part), axis=0)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.linspace(0.0, 1.0, 400))[:, None]
    limited[:400] *= ramp
    limited[-400:] *= ramp[::-1]
    return 0.7 * limited / np.abs(limited).max()


def _peaks_and_loudness(bench: ProofContext) -> Iterator[Proof]:
    rng, peak_errors, loudness_errors = np.random.default_rng(450), [], []
    for _ in range(bench.count(300) // BATCH):
        parts = {}
        for number in range(BATCH):
            rate_hz = RATES_HZ[number % len(RATES_HZ)]
            part = _limited(_music(rng, rate_hz, rng.integers(10, 40) / (10 if rate_hz < 96_000 else 20)))
            parts[str(number)] = (np.float32(part).astype(float), rate_hz, 0)
        found = measured(bench.stager, bench.folder, parts)
        for name, (part, rate_hz, _) in parts.items():
            peak_errors.append(found[name]["true_peak_dbtp"] - reference_levels.true_peak_dbtp(part))
            loudness_errors.append(found[name]["loudness_lufs"] - (integrated_lufs(part, rate_hz) or 0.0))
    low, high, off = min(peak_errors), max(peak_errors), float(np.abs(loudness_errors).max())
    count = f"{len(peak_errors)} musical parts, 5 rates"
    yield Proof(f"true peak of {count}, most under", SINC, "at least -0.05 dB", f"{low:+.4f} dB", low >= -0.05)
    yield Proof(f"true peak of {count}, most over", SINC, "at most +0.02 dB", f"{high:+.4f} dB", high <= 0.02)
    yield Proof(f"loudness of {count}", "BS.1770-5 by numpy", "within 0.005 LU", f"{off:.5f} LU", off <= 0.005)


def _hiss(rng: np.random.Generator, frames: int, level_dbfs: float) -> Samples:
    return reference_levels.linear(level_dbfs) / np.sqrt(2) * rng.normal(size=(frames, 2))


def _hum(rng: np.random.Generator, frames: int, rate_hz: int, level_dbfs: float, mains_hz: float) -> Samples:
    turns = mains_hz * (1.0 + rng.uniform(-0.002, 0.002)) * np.arange(frames) / rate_hz + rng.uniform()
    return reference_levels.linear(level_dbfs) * np.sin(2 * np.pi * turns)[:, None] * np.ones(2)


def _pauses(bench: ProofContext) -> Iterator[Proof]:
    """Half of the parts carry hum at -60 over noise at -70, half the noise alone."""
    rng, rate_hz = np.random.default_rng(50), 16_000
    floor_errors, hum_errors, missed, false = [], [], 0, 0
    total = bench.count(400)
    for first in range(0, total, BATCH):
        parts, mains = {}, {}
        for number in range(first, first + BATCH):
            part = _music(rng, rate_hz, 16.0)
            part += _hiss(rng, len(part), -70.0)
            mains[str(number)] = (50.0, 60.0)[number // 2 % 2] if number % 2 else None
            if mains[str(number)]:
                part += _hum(rng, len(part), rate_hz, -60.0, mains[str(number)])
            parts[str(number)] = (part, rate_hz, 0)
        found = measured(bench.stager, bench.folder, parts)
        for name, mains_hz in mains.items():
            if mains_hz is None:
                false += found[name]["hum_dbfs"] is not None
                floor_errors.append(abs((found[name]["noise_floor_dbfs"] or 0.0) + 70.0))
            elif found[name]["hum_hz"] != mains_hz:
                missed += 1
            else:
                hum_errors.append(abs(found[name]["hum_dbfs"] + 60.0))
    floor, hum, half = max(floor_errors), max(hum_errors, default=np.inf), total // 2
    yield Proof(
        f"noise floor under {half} musical parts", "noise at -70, own", "within 0.5 dB", f"{floor:.3f} dB", floor <= 0.5
    )
    yield Proof(
        f"hum over noise, {half} musical parts", "50, 60 Hz at -60, own", "none missed", f"{missed} missed", not missed
    )
    yield Proof("level of that hum", "50, 60 Hz at -60, own", "within 1 dB", f"{hum:.3f} dB", hum <= 1.0)
    yield Proof(f"hum where there is none, {half} musical parts", "own", "none found", f"{false} found", not false)


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Peaks and loudness of musical parts; noise and hum in their pauses."""
    yield from _peaks_and_loudness(bench)
    yield from _pauses(bench)
