"""Files past 4 GiB: an RF64 whose samples cross byte 2^32, and a RIFF that becomes RF64 because it grows by a line.

Sources: EBU Tech 3306 (RF64), EBU Tech 3285 and R 98 (the line of history); the files are sparse, with tones at a few
places, so that writing them costs nothing.
"""

import os
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np

from tests.prove.memory import LAUNCHER
from tests.prove.proof import Proof, ProofContext
from tests.support import reference_levels
from tests.support.command import HUNG_S
from tests.support.layouts import UNKNOWN, bext
from tests.support.signals import sine
from tests.support.song import Song
from tests.support.wavefile import PCM_24, Array, chunk, fmt_chunk, pack, unpack_codes

TOML: Final = '[target]\nrule = "peak"\nlevel_db = -9.3\ntolerance_db = 0.0\nmax_boost_db = 40.0\ni_mean_it = true\n'
RATE, FRAME_BYTES = 48_000, 6
TONE_FRAMES: Final = 4_800
WHOLE_BYTES, SHORT_BYTES = 5_000_000_000, 600_000_000
MEMORY_MB: Final = 220.0
FREE_BYTES: Final = 14_000_000_000


def _tone() -> bytes:
    mono = sine(441, -30.0, TONE_FRAMES / RATE)
    return pack(np.column_stack((mono, -0.5 * mono)), PCM_24)


def _wide_head(head: bytes, frames: int) -> bytes:
    audio = frames * FRAME_BYTES
    sizes = struct.pack("<QQQI", 4 + 36 + len(head) + 8 + audio, audio, frames, 0)
    top = b"RF64" + struct.pack("<I", UNKNOWN) + b"WAVE" + chunk(b"ds64", sizes)
    return top + head + b"data" + struct.pack("<I", UNKNOWN)


def _put_tones(out: BinaryIO, audio_at: int, places: list[int]) -> None:
    for place in places:
        out.seek(audio_at + place * FRAME_BYTES)
        out.write(_tone())


def _codes(path: Path, audio_at: int, frame: int) -> Array:
    with path.open("rb") as file:
        file.seek(audio_at + frame * FRAME_BYTES)
        return unpack_codes(file.read(TONE_FRAMES * FRAME_BYTES), PCM_24).reshape(-1, 2)


def _off(song: Song, places: list[int], before_at: int, after_at: int) -> float:
    """The farthest that any sample of the tones lies from gain times original, in steps."""
    gain = reference_levels.linear(song.sidecar("wide.wav")["trim"]["gain_db"])
    assert abs(song.sidecar("wide.wav")["trim"]["gain_db"]) > 1.0
    pairs = (
        (_codes(song.inbox / "wide.wav", before_at, p), _codes(song.outbox / "wide.wav", after_at, p)) for p in places
    )
    return max(float(np.abs(after - before * gain).max()) for before, after in pairs)


def _staged_in_mb(song: Song) -> float:
    """Stage the project; give the largest memory of the process, in MB."""
    line = [sys.executable, "-I", "-S", "-c", LAUNCHER, *song.stager.line("stage", song.folder, "--json")]
    done = subprocess.run(line, capture_output=True, timeout=20 * HUNG_S, check=True)
    return int(done.stderr.split()[-1]) * 1024 / 1e6


def _wide(bench: ProofContext) -> Iterator[Proof]:
    song = Song.made(bench.stager, bench.folder / "wide", TOML)
    size = SHORT_BYTES if bench.short else WHOLE_BYTES
    head = chunk(b"fmt ", fmt_chunk(PCM_24, RATE, 2)) + chunk(b"bext", bext(1, time_reference=2**33 + 7))
    frames = size // FRAME_BYTES
    top = _wide_head(head, frames)
    crossing = ((size if bench.short else 2**33) // 2 - len(top)) // FRAME_BYTES - TONE_FRAMES // 2
    places = [0, crossing, frames - TONE_FRAMES]
    path = song.inbox / "wide.wav"
    with path.open("wb") as out:
        out.write(top)
        _put_tones(out, len(top), places)
    memory_mb = _staged_in_mb(song)
    copy = song.outbox / "wide.wav"
    with copy.open("rb") as file:
        begin = file.read(20_000)
    after_at = begin.index(b"data") + 8
    stated, audio, count = struct.unpack_from("<QQQ", begin, 20)
    true = (stated + 8, audio, count) == (copy.stat().st_size, frames * FRAME_BYTES, frames)
    what = f"RF64 of {size / 1e9:g} GB"
    off = _off(song, places, len(top), after_at)
    where = "start, middle and end" if bench.short else "start, byte 2^32 and end"
    yield Proof(
        f"{what}: tones at {where}, off by", "arithmetic", "0.5 < off <= 1.5 LSB", f"{off:.3f} LSB", 0.5 < off <= 1.5
    )
    yield Proof(f"{what}: sizes in ds64", "EBU Tech 3306", "those of the file", str(true), true)
    yield Proof(
        f"{what}: memory",
        "the system (ru_maxrss)",
        f"under {MEMORY_MB:g} MB",
        f"{memory_mb:.1f} MB",
        memory_mb < MEMORY_MB,
    )
    silent = _quiet_between(copy, after_at, crossing // 2)
    yield Proof(f"{what}: digital silence between", "own promise", "zeros", str(silent), silent)
    path.unlink()
    copy.unlink()


def _quiet_between(copy: Path, audio_at: int, frame: int) -> bool:
    return not _codes(copy, audio_at, frame).any()


def _grown(bench: ProofContext) -> Iterator[Proof]:
    """A RIFF so close to 4 GiB that one more line of history takes it past."""
    song = Song.made(bench.stager, bench.folder / "grown", TOML)
    head = chunk(b"fmt ", fmt_chunk(PCM_24, RATE, 2)) + chunk(b"bext", bext(1, time_reference=2**33 + 7))
    frames = (2**32 - 1 - 12 - len(head) - 8) // FRAME_BYTES
    total = 12 + len(head) + 8 + frames * FRAME_BYTES
    path = song.inbox / "wide.wav"
    top = b"RIFF" + struct.pack("<I", total - 8) + b"WAVE" + head + b"data" + struct.pack("<I", frames * FRAME_BYTES)
    places = [0, frames - TONE_FRAMES]
    with path.open("wb") as out:
        out.write(top)
        _put_tones(out, len(top), places)
    _staged_in_mb(song)
    copy = song.outbox / "wide.wav"
    with copy.open("rb") as file:
        begin = file.read(20_000)
    after_at = begin.index(b"data") + 8
    stated, audio, count = struct.unpack_from("<QQQ", begin, 20)
    true = begin[:4] == b"RF64" and (stated + 8, audio, count) == (copy.stat().st_size, frames * FRAME_BYTES, frames)
    yield Proof("RIFF under 4 GiB grows to RF64 by a line of history", "EBU Tech 3306", "true sizes", str(true), true)
    off = _off(song, places, len(top), after_at)
    yield Proof(
        "its tones at start and end, off by", "arithmetic", "0.5 < off <= 1.5 LSB", f"{off:.3f} LSB", 0.5 < off <= 1.5
    )
    found = bench.stager("verify", song.folder, "--json").code
    yield Proof("verify of the grown copy", "own promise", "status 0", f"status {found}", found == 0)
    path.unlink()
    copy.unlink()


def prove(bench: ProofContext) -> Iterator[Proof]:
    """A tenth of the size in short; the whole needs room for a copy of 5 GB."""
    state = os.statvfs(bench.folder)
    free = state.f_bavail * state.f_frsize
    if not bench.short and free < FREE_BYTES:
        yield Proof(
            "files past 4 GiB", "own promise", f"{FREE_BYTES / 1e9:g} GB of room", f"{free / 1e9:.1f} GB", False
        )
        return
    yield from _wide(bench)
    if not bench.short:
        yield from _grown(bench)
