"""Resident memory of a long stem's staging, by the system's own account of the process."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.support.command import HUNG_S
from tests.support.song import Song, sha256
from tests.support.wavefile import PCM_24, chunk, fmt_chunk, pack

RATE, CHANNELS = 48_000, 2
LAUNCHER = """
import os, sys
_, status, usage = os.wait4(os.posix_spawn(sys.argv[1], sys.argv[1:], os.environ), 0)
print(usage.ru_maxrss, file=sys.stderr)
sys.exit(os.waitstatus_to_exitcode(status))
"""
"""Starts a command and tells its memory; Linux counts in what the starting process holds, so that one is kept small."""
APART_MB, CACHED_MB, FIRST_MB = 10.0, 220.0, 400.0
"""Own bounds. The first run holds the compiler too, which grew with the loops for damage, condition and padding."""


def _write(path: Path, minutes: int) -> None:
    """Write a stem of so many minutes, one minute of noise over and over, never whole in memory."""
    rng = np.random.default_rng(60)
    minute = pack(0.05 * rng.uniform(-1, 1, (60 * RATE, CHANNELS)), PCM_24)
    size = minutes * len(minute)
    head = chunk(b"fmt ", fmt_chunk(PCM_24, RATE, CHANNELS))
    with path.open("wb") as out:
        out.write(b"RIFF" + (4 + len(head) + 8 + size).to_bytes(4, "little") + b"WAVE" + head)
        out.write(b"data" + size.to_bytes(4, "little"))
        for _ in range(minutes):
            out.write(minute)


def _peak_mb(bench: ProofContext, name: str, minutes: int, cache: Path) -> float:
    """Stage one stem and give the largest resident memory of the process, in MB (10^6 bytes)."""
    song = Song.made(bench.stager, bench.folder / name)
    _write(song.inbox / "long.wav", minutes)
    before = sha256(song.inbox / "long.wav")
    line = [sys.executable, "-I", "-S", "-c", LAUNCHER, *bench.stager.line("stage", song.folder, "--json")]
    env = {**os.environ, "NUMBA_CACHE_DIR": str(cache)}
    done = subprocess.run(line, env=env, capture_output=True, timeout=20 * HUNG_S, check=True)
    assert sha256(song.inbox / "long.wav") == before
    assert song.sidecar("long.wav")["source"]["duration_s"] == 60 * minutes
    (song.inbox / "long.wav").unlink()
    (song.outbox / "long.wav").unlink()
    return int(done.stderr.split()[-1]) * 1024 / 1e6


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Stage a minute with no compiled code, a minute with it, and an hour."""
    cache, minutes = bench.folder / "cache", bench.count(60)
    first = _peak_mb(bench, "first", 1, cache)
    minute = _peak_mb(bench, "minute", 1, cache)
    long = _peak_mb(bench, "long", minutes, cache)
    stem = f"{minutes}-minute stereo 24-bit stem"
    yield _held(f"{stem} over a 1-minute one", long - minute, APART_MB)
    yield _held(f"{stem}, compiled code cached", long, CACHED_MB)
    yield _held("first run, nothing compiled yet", first, FIRST_MB)


def _held(what: str, found_mb: float, bound_mb: float) -> Proof:
    bound = f"under {bound_mb:g} MB"
    return Proof(f"memory, {what}", "the system (ru_maxrss)", bound, f"{found_mb:.1f} MB", found_mb < bound_mb)
