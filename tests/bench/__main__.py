"""How long the meters take: `python -m tests.bench`. It prints and asserts nothing.

Four minutes of stereo at 48 kHz, 24 bits, of four kinds. The panel with all meters on is timed in turn with one pass of
libsndfile decoding the same file (A B A B ...), and the medians are compared, so that a busy machine slows both. Both
use one core. The panel's time is its own: samples lie decoded in memory. The first round, in which loops compile, is
thrown away.
"""

import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import soundfile

from stager.meters import Panel
from tests.making import Samples, stream

RATE, SECONDS, ROUNDS = 48_000, 240, 5
BLOCK_FRAMES = 65_536
Kind = Callable[[np.random.Generator], Samples]


def phrased(rng: np.random.Generator) -> Samples:
    """Plucked notes in phrases of eight with rests between, panned a little, over noise at -80 dBFS."""
    out = 1e-4 * rng.normal(size=(SECONDS * RATE, 2))
    for start in np.arange(0.0, SECONDS - 3.0, 0.25):
        if start % 3.0 < 2.0:
            first, n = round(start * RATE), np.arange(2 * RATE)
            pitch, pan = 55.0 * 2 ** (rng.integers(12, 40) / 12), rng.uniform(0.3, 0.7)
            note = sum(0.6**k * np.sin(2 * np.pi * k * pitch / RATE * n) for k in range(1, 7))
            note = 0.08 * rng.uniform(0.3, 1.0) * note * np.exp(-n / (0.4 * RATE)) * np.minimum(1.0, n / 100)
            out[first : first + len(n)] += note[:, None] * [1 - pan, pan]
    return out


def pad(rng: np.random.Generator) -> Samples:
    """Sixty slowly beating partials that never pause: nearly every second holds a new highest wave."""
    n, out = np.arange(SECONDS * RATE), np.zeros((SECONDS * RATE, 2))
    for hz in rng.uniform(60.0, 3_000.0, 60):
        out += 0.005 * np.sin(2 * np.pi * hz / RATE * n + rng.uniform(0, 6))[:, None] * rng.uniform(0.3, 1.0, 2)
    return out


def sine(_: np.random.Generator) -> Samples:
    """One tone whose every wave is as high as the next, with its crests between the samples."""
    return np.tile(0.5 * np.sin(2 * np.pi * 997.0 / RATE * np.arange(SECONDS * RATE))[:, None], (1, 2))


def noise(rng: np.random.Generator) -> Samples:
    """White noise, both sides alike in level."""
    return np.clip(0.1 * rng.normal(size=(SECONDS * RATE, 2)), -1.0, 1.0)


KINDS: dict[str, Kind] = {"phrased music": phrased, "dense pad": pad, "steady sine": sine, "white noise": noise}


def measure(samples: Samples) -> None:
    """All meters, block by block."""
    panel = Panel(stream(24, 2, len(samples), rate_hz=RATE))
    for start in range(0, len(samples), BLOCK_FRAMES):
        panel.update(samples[start : start + BLOCK_FRAMES])
    panel.result().levels("sine", "loudest")


def decode(path: Path) -> None:
    """One pass of libsndfile over the file, into one buffer."""
    with soundfile.SoundFile(path) as file:
        buffer = np.empty((BLOCK_FRAMES, 2))
        while len(file.read(out=buffer)):
            pass


def seconds(work: Callable[[Any], None], of: object) -> float:
    """Time one run, in seconds of the processor: what else runs on the machine counts for little."""
    start = time.process_time()
    work(of)
    return time.process_time() - start


def lines(folder: Path) -> Iterator[str]:
    """Give the result of each kind."""
    for name, kind in KINDS.items():
        path = folder / "bench.wav"
        soundfile.write(path, kind(np.random.default_rng(48)), RATE, "PCM_24")
        samples = soundfile.read(path, always_2d=True)[0]
        rounds = [(seconds(measure, samples), seconds(decode, path)) for _ in range(ROUNDS + 1)]
        panel_s, decode_s = (median(times) for times in zip(*rounds[1:], strict=True))
        yield f"{name:<14} {panel_s:8.2f} s {decode_s:8.2f} s {panel_s / decode_s:8.1f}"


def main() -> None:
    """Print a table."""
    print(f"{SECONDS // 60} minutes, stereo, {RATE // 1000} kHz, 24 bits; medians of {ROUNDS} rounds in turn")
    print(f"{'':<14} {'all meters':>10} {'libsndfile':>10} {'ratio':>8}")
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        for line in lines(Path(folder)):
            print(line, flush=True)


if __name__ == "__main__":
    main()
