"""From the moment a writer closes a stem to the finished sidecar, beyond the time that a file must rest."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from tests.prove.proof import Proof, ProofContext
from tests.support import wavefile
from tests.support.command import HUNG_S
from tests.support.signals import band_limited_noise
from tests.support.song import Song, sha256
from tests.support.wavefile import PCM_24

MINUTES, ROUNDS, SETTLE_S, BOUND_S = 4, 5, 0.5, 1.5
TOML = f'[project]\nname = "Latency"\nsettle_s = {SETTLE_S}\n'
WRITER = """
import sys, time
raw = open(sys.argv[1], "rb").read()
with open(sys.argv[2], "wb") as out:
    for start in range(0, len(raw), 1 << 23):
        out.write(raw[start : start + (1 << 23)])
print(time.clock_gettime(time.CLOCK_MONOTONIC), flush=True)
"""
"""Writes a file in pieces, closes it, and tells when, by the clock that all processes share."""


def _round(song: Song, source: str, name: str) -> float:
    """Have one stem written and return the time from its closing to its sidecar, in s."""
    writer = subprocess.run(
        [sys.executable, "-c", WRITER, source, song.inbox / name], capture_output=True, check=True, timeout=HUNG_S
    )
    closed_s, place = float(writer.stdout), song.outbox / f"{name}.json"
    while not place.exists():
        assert time.monotonic() < closed_s + HUNG_S, "hung"
        time.sleep(0.005)
    ready_s = time.clock_gettime(time.CLOCK_MONOTONIC)
    assert json.loads(place.read_bytes())["copy"]["sha256"] == sha256(song.outbox / name)
    return ready_s - closed_s


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Write a 4-minute stereo stem of 48 kHz and 24 bit a few times; the median counts.

    Once it is a part with strokes that fade, as parts are; once even noise, whose peaks lie so close that every sample
    has to be looked at between: the most that a stem can cost.
    """
    even = band_limited_noise(np.random.default_rng(80), -30.0, 60 * 48_000, 2)
    strokes = 4.0 * np.exp(-(np.arange(len(even)) % 24_000) / 6_000)[:, None]
    yield from _proven(bench, "with strokes", even * strokes, bounded=True)
    yield from _proven(bench, "of even noise", even, bounded=False)


def _proven(bench: ProofContext, kind: str, minute: NDArray[np.float64], *, bounded: bool) -> Iterator[Proof]:
    song = Song.made(bench.stager, bench.folder / kind.replace(" ", "-"), TOML)
    source = wavefile.write(bench.folder / "source.wav", np.concatenate([minute] * MINUTES), kind=PCM_24)
    log = bench.folder / "log"
    with song.stager.started("watch", song.folder, log=log) as watch:
        while "watching" not in log.read_text():
            assert watch.poll() is None
            time.sleep(0.05)
        rounds = 1 if bench.short else ROUNDS
        times_s = [_round(song, str(source), f"{number}.wav") - SETTLE_S for number in range(rounds)]
    median_s = float(np.median(times_s))
    figure = f"{median_s:.2f} s ({min(times_s):.2f} to {max(times_s):.2f})"
    what = f"{MINUTES}-minute stereo stem {kind}, closed to sidecar, beyond settle_s"
    is_figure = bench.short or not bounded
    bound = f"a figure; {BOUND_S:g} s wanted" if is_figure else f"under {BOUND_S:g} s"
    yield Proof(what, "own", bound, figure, is_figure or median_s < BOUND_S)
