"""How long the meters alone take, inside this process: `python -m tests.bench --panel`.

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

from stager.analysis.panel import Panel
from tests.bench.kinds import KINDS, RATE_HZ, Samples
from tests.support.records import stream

SECONDS, ROUNDS, BLOCK_FRAMES = 240, 5, 65_536


def measure(samples: Samples) -> None:
    """All meters, block by block."""
    panel = Panel(stream(24, 2, len(samples), rate_hz=RATE_HZ))
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
    """Yield the result of each kind."""
    for name, kind in KINDS.items():
        path = folder / "bench.wav"
        soundfile.write(path, kind(np.random.default_rng(48), SECONDS), RATE_HZ, "PCM_24")
        samples = soundfile.read(path, always_2d=True)[0]
        rounds = [(seconds(measure, samples), seconds(decode, path)) for _ in range(ROUNDS + 1)]
        panel_s, decode_s = (median(times) for times in zip(*rounds[1:], strict=True))
        yield f"{name:<14} {panel_s:8.2f} s {decode_s:8.2f} s {panel_s / decode_s:8.1f}"


def main() -> None:
    """Print a table."""
    print(f"{SECONDS // 60} minutes, stereo, {RATE_HZ // 1000} kHz, 24 bits; medians of {ROUNDS} rounds in turn")
    print(f"{'':<14} {'all meters':>10} {'libsndfile':>10} {'ratio':>8}")
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        for line in lines(Path(folder)):
            print(line, flush=True)
