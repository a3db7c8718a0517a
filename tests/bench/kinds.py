"""The sounds that are staged and measured, four kinds of them, by numpy and soundfile alone."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import soundfile
from numpy.typing import NDArray

Samples = NDArray[np.float64]
Kind = Callable[[np.random.Generator, int], Samples]
RATE_HZ: Final = 48_000


def phrased(rng: np.random.Generator, seconds: int) -> Samples:
    """Plucked notes in phrases of eight with rests between, panned a little, over noise at -80 dBFS."""
    out = 1e-4 * rng.normal(size=(seconds * RATE_HZ, 2))
    for start in np.arange(0.0, seconds - 3.0, 0.25):
        if start % 3.0 < 2.0:
            first, n = round(start * RATE_HZ), np.arange(2 * RATE_HZ)
            pitch, pan = 55.0 * 2 ** (rng.integers(12, 40) / 12), rng.uniform(0.3, 0.7)
            note = sum(0.6**k * np.sin(2 * np.pi * k * pitch / RATE_HZ * n) for k in range(1, 7))
            note = 0.08 * rng.uniform(0.3, 1.0) * note * np.exp(-n / (0.4 * RATE_HZ)) * np.minimum(1.0, n / 100)
            out[first : first + len(n)] += note[:, None] * [1 - pan, pan]
    return out


def pad(rng: np.random.Generator, seconds: int) -> Samples:
    """Sixty slowly beating partials that never pause: nearly every second holds a new highest wave."""
    n, out = np.arange(seconds * RATE_HZ), np.zeros((seconds * RATE_HZ, 2))
    for hz in np.rint(seconds * rng.uniform(60.0, 3_000.0, 60)) / seconds:
        out += 0.005 * np.sin(2 * np.pi * hz / RATE_HZ * n + rng.uniform(0, 6))[:, None] * rng.uniform(0.3, 1.0, 2)
    return out


def sine(_: np.random.Generator, seconds: int) -> Samples:
    """One tone whose every wave is as high as the next, with its crests between the samples."""
    return np.tile(0.5 * np.sin(2 * np.pi * 997.0 / RATE_HZ * np.arange(seconds * RATE_HZ))[:, None], (1, 2))


def noise(rng: np.random.Generator, seconds: int) -> Samples:
    """White noise, both sides alike in level."""
    return np.clip(0.05 * rng.normal(size=(seconds * RATE_HZ, 2)), -1.0, 1.0)


KINDS: Final[dict[str, Kind]] = {"phrased music": phrased, "dense pad": pad, "steady sine": sine, "white noise": noise}
OF_EIGHT: Final = (
    *("phrased music", "dense pad", "phrased music", "steady sine"),
    *("phrased music", "dense pad", "phrased music", "white noise"),
)
"""What eight stems are: most of a session are phrases, some never pause, and the two that cost the most are in it."""


def written(path: Path, samples: Samples) -> Path:
    """Write samples, (frames, channels), as 24-bit WAVE."""
    soundfile.write(path, samples, RATE_HZ, "PCM_24")
    return path


def variants(seconds: int, count: int) -> Iterator[tuple[str, Samples]]:
    """Yield so many stems with names, of `OF_EIGHT`: one of each kind made, the others begin elsewhere in it.

    All kinds end as they begin, so that a turned one has no seam. They differ in level too, and none is at its target
    already: each stem's copy is trimmed and dithered.
    """
    rng = np.random.default_rng(48)
    for name, kind in KINDS.items():
        made = kind(rng, seconds)
        for number in [number for number in range(count) if OF_EIGHT[number % len(OF_EIGHT)] == name]:
            turned = np.roll(made, number * seconds * RATE_HZ // count, axis=0)
            yield f"{number:04d} {name}.wav", turned * 10 ** (-(number % 7) / 40)


def eight_channels(path: Path, minutes: int) -> Path:
    """Write so many minutes of 8 channels, 24 bits, RF64, one minute over and over, never whole in memory."""
    rng = np.random.default_rng(8)
    minute: Any = np.hstack([phrased(rng, 60) for _ in range(4)])
    with soundfile.SoundFile(path, "w", RATE_HZ, 8, "PCM_24", format="RF64") as out:
        for _ in range(minutes):
            out.write(minute)
    return path
