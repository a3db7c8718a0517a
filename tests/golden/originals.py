"""Sixteen originals made of whole numbers alone, so that every machine makes the same bytes."""

from pathlib import Path

import numpy as np

from tests.support.wavefile import (
    DOUBLE,
    FLOAT,
    KINDS,
    PCM_16,
    PCM_20_IN_24,
    PCM_24,
    PCM_24_EXTENSIBLE,
    PCM_32,
    Array,
    Kind,
    write,
)

TOP = 1 << 23
STEMS: tuple[tuple[str, Kind, int, int], ...] = (
    ("bass.wav", PCM_24, 1, 48_000),
    ("keys/left.wav", PCM_24, 2, 48_000),
    ("kick.wav", PCM_16, 1, 44_100),
    ("room.wav", PCM_24_EXTENSIBLE, 2, 96_000),
    ("shaker.wav", FLOAT, 1, 48_000),
    ("strings.wav", PCM_32, 2, 48_000),
    ("surround.wav", PCM_24, 6, 48_000),
    ("bells.wav", DOUBLE, 2, 44_100),
    ("organ.wav", PCM_20_IN_24, 1, 48_000),
    ("voice.wav", PCM_24, 1, 88_200),
)


def make_all(inbox: Path) -> None:
    """Write every original below a folder."""
    assert set(KINDS) == {kind for _, kind, _, _ in STEMS}
    for seed, (name, kind, channels, rate_hz) in enumerate(STEMS):
        codes = np.stack([_codes(seed, channel, 4 * rate_hz) for channel in range(channels)], axis=1)
        write(inbox / name, codes / TOP, rate_hz, kind)
    for name, level in (("noise.wav", 20), ("faint.wav", 15), ("close.wav", 21)):
        codes = np.random.default_rng(level).integers(-(1 << level), 1 << level, (150_000, 2))
        write(inbox / name, codes / TOP)
    square = np.where(np.arange(200_000) // 109 % 2, TOP // 2, -TOP // 2)
    write(inbox / "square.wav", square / TOP)
    write(inbox / "driven.wav", np.clip(3 * _codes(40, 0, 200_000), -TOP // 3, TOP // 3) / TOP)
    write(inbox / "nothing.wav", np.zeros(60_000))


def _codes(seed: int, channel: int, frames: int) -> Array:
    """Notes with rests of zeros between, over a little noise: rounded triangles that decay by shifts."""
    rng = np.random.default_rng((seed, channel))
    out = rng.integers(-40, 41, frames)
    for note in range(12):
        first, length = note * frames // 12, frames // 14
        period = int(rng.integers(60, 900))
        n = np.arange(length, dtype=np.int64)
        phase = n % period * 4 * 65_536 // period - 2 * 65_536
        triangle = 65_536 - np.abs(phase)
        rounded = triangle * (3 * 65_536 * 65_536 - triangle * triangle) // (65_536 * 65_536)
        loud = int(rng.integers(6, 40)) * (1 + 3 * (note % 5 == 0))
        fade = (length - n) * 256 // length
        out[first : first + length] += rounded * loud * fade // 256 // 4
    out[frames // 3 : frames // 3 + frames // 20] = 0
    return out
