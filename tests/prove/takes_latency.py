"""From the moment a recorder closes a take to the take in `takes.json`, beyond the time that a file must rest."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np

from tests.prove.latency import WRITER
from tests.prove.proof import Proof, ProofContext
from tests.support import wavefile
from tests.support.command import HUNG_S
from tests.support.signals import band_limited_noise
from tests.support.song import Song
from tests.support.wavefile import PCM_24

RATE_HZ: Final = 48_000
TAKES: Final = 20
SHORTEST_S: Final = 10.0
LONGEST_S: Final = 240.0
SETTLE_S: Final = 0.5
BOUND_S: Final = 2.0
TOML: Final = f'[project]\nname = "Latency"\nsettle_s = {SETTLE_S}\ntakes = "audio"\n'


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Record stereo takes of 10 s to 4 min, one after another, under one watch."""
    song = Song.made(bench.stager, bench.folder / "recording room", TOML)
    audio, log = song.folder / "audio", bench.folder / "takes.log"
    audio.mkdir()
    lengths_s = np.geomspace(SHORTEST_S, LONGEST_S, bench.count(TAKES))
    with song.stager.started("watch", song.folder, log=log) as watch:
        while "watching" not in log.read_text():
            assert watch.poll() is None
            time.sleep(0.05)
        times_s = [_round(song, _source(bench, length_s), f"{n}.wav") for n, length_s in enumerate(lengths_s)]
    figure = f"{max(times_s):.2f} s, median {np.median(times_s):.2f}"
    claim = f"{len(times_s)} takes of {lengths_s[0]:.0f} to {lengths_s[-1]:.0f} s: closed to judged, beyond settle_s"
    yield Proof(claim, "own", f"each within {BOUND_S:g} s", figure, max(times_s) <= BOUND_S)


def _source(bench: ProofContext, length_s: float) -> Path:
    """Write a part with strokes that fade over the noise of a room, 48 kHz, 24 bit, for a recorder to write again."""
    frames = round(length_s * RATE_HZ)
    minute = band_limited_noise(np.random.default_rng(81), -30.0, min(frames, 60 * RATE_HZ), 2)
    part = np.tile(minute, (frames // len(minute) + 1, 1))[:frames]
    part *= 4.0 * np.exp(-(np.arange(frames) % 24_000) / 6_000)[:, None] + 0.01
    return wavefile.write(bench.folder / "take.wav", part, RATE_HZ, PCM_24)


def _round(song: Song, source: Path, name: str) -> float:
    """Have one take written and return the time from its closing, and its rest, to its place in the list, in s."""
    place, listed = song.folder / ".stager" / "takes.json", song.folder / "audio" / name
    writer = subprocess.run(
        [sys.executable, "-c", WRITER, source, listed], capture_output=True, check=True, timeout=HUNG_S
    )
    closed_s = float(writer.stdout)
    while not (place.exists() and name in [take["take"] for take in json.loads(place.read_bytes())["takes"]]):
        assert time.monotonic() < closed_s + HUNG_S, "hung"
        time.sleep(0.01)
    return time.clock_gettime(time.CLOCK_MONOTONIC) - closed_s - SETTLE_S
