"""Stems that differ in everything, and their sum by numpy alone: nothing here uses the code under test.

The pan law is written out a second time: for a mono stem at pan p with theta = pi/4 (1 + |p|) and a centre of C, the
near side gets C + (1 - C)(sin theta - sqrt 1/2)/(1 - sqrt 1/2), the far side C sqrt 2 cos theta; a stereo stem keeps
its near side and has its far side multiplied by sqrt 2 cos theta.
"""

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.support import wavefile
from tests.support.wavefile import Kind

Array = NDArray[Any]
RATE_HZ = 48_000


@dataclass(frozen=True)
class Stem:
    """A file on disk, and how it goes into the sum; `stamp` is its time stamp, None for a file without one."""

    path: Path
    pan: float
    gain_db: float
    stamp: int | None

    def samples(self) -> Array:
        """Read it by struct and numpy."""
        return wavefile.read(self.path).samples()


def bext(stamp: int) -> bytes:
    """A `bext` chunk's payload with nothing in it but a time stamp, low word first (EBU Tech 3285)."""
    return bytes(338) + struct.pack("<Q", stamp) + struct.pack("<H", 1) + bytes(254)


def gains(channels: int, pan: float, centre: float) -> Array:
    """Gains from channels to left and right, (channels, 2)."""
    theta = np.pi / 4 * (1 + abs(pan))
    root = np.sqrt(0.5)
    near = centre + (1 - centre) * (np.sin(theta) - root) / (1 - root)
    far = np.sqrt(2.0) * np.cos(theta)
    if channels == 1:
        pair = [near, centre * far]
        return np.array([pair if pan < 0 else pair[::-1]])
    return np.diag([1.0, far] if pan < 0 else [far, 1.0])


def direct_sum(stems: list[Stem], pan_law_db: float = -3.0) -> Array:
    """The bus, (frames, 2): all in memory, each sample added where its stamp puts it."""
    zero = min((stem.stamp for stem in stems if stem.stamp is not None), default=0)
    placed = []
    for stem in stems:
        samples = stem.samples()
        sides = samples @ gains(samples.shape[1], stem.pan, 10 ** (pan_law_db / 20)) * 10 ** (stem.gain_db / 20)
        placed.append((0 if stem.stamp is None else stem.stamp - zero, sides))
    bus = np.zeros((max(start + len(sides) for start, sides in placed), 2))
    for start, sides in placed:
        bus[start : start + len(sides)] += sides
    return bus


def part_signal(rng: np.random.Generator, seconds: float, channels: int, rate_hz: int = RATE_HZ) -> Array:
    """Notes with soft ends, harmonics below 0.4 of the rate, in one or two channels."""
    n = np.arange(round(seconds * rate_hz))
    out = np.zeros((len(n), channels))
    for start in np.arange(0.0, seconds, rng.uniform(0.3, 0.9)):
        at = n[: max(0, len(n) - round(start * rate_hz))]
        pitch = 55.0 * 2.0 ** (rng.integers(0, 36) / 12.0)
        top = min(12, int(0.4 * rate_hz / pitch))
        note = sum(0.7**k * np.sin(2 * np.pi * k * pitch / rate_hz * at + rng.uniform(0, 6)) for k in range(1, top))
        soft = np.minimum(1.0, at / 200) * np.minimum(1.0, at[::-1] / 200) * np.exp(-at / (0.5 * rate_hz))
        out[len(n) - len(at) :] += (soft * note)[:, None] * rng.uniform(0.3, 1.0, channels)
    return rng.uniform(0.1, 0.4) * out / np.abs(out).max()


def write_stems(
    folder: Path, count: int, *, seed: int = 1, seconds: tuple[float, float] = (2.0, 5.0), kinds: tuple[Kind, ...] = ()
) -> list[Stem]:
    """Stems with lengths, starts, pans, gains and formats that differ; every fourth has no time stamp."""
    rng, stems = np.random.default_rng(seed), []
    for number in range(count):
        samples = part_signal(rng, rng.uniform(*seconds), 1 + number % 2)
        stamp = None if number % 4 == 3 else 3_600 * RATE_HZ + int(rng.integers(0, 2 * RATE_HZ))
        pan = float(rng.choice([0.0, 0.0, -1.0, 1.0, rng.uniform(-1, 1)]))
        gain_db = float(rng.choice([0.0, round(rng.uniform(-6, 3), 1)]))
        kind = (kinds or (wavefile.PCM_24, wavefile.FLOAT, wavefile.PCM_16))[number % (len(kinds) or 3)]
        chunks = () if stamp is None else ((b"bext", bext(stamp)),)
        path = wavefile.write(folder / f"stem {number:02}.wav", samples, RATE_HZ, kind, before=chunks)
        stems.append(Stem(path, pan, gain_db, stamp))
    return stems
