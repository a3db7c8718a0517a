"""Ten thousand stems at once: all are staged within bounded memory, and a restart does nothing twice."""

import json
import os
import time
from collections.abc import Iterator
from pathlib import Path
from subprocess import Popen

import numpy as np

from tests.prove import idle
from tests.prove.proof import Proof, ProofContext
from tests.support import wavefile
from tests.support.signals import band_limited_noise
from tests.support.song import Song
from tests.support.wavefile import PCM_16

STEMS, SHORT_STEMS, FOLDERS, FRAMES = 10_000, 400, 100, 48_000
MEMORY_MB, RESTART_S, IDLE_S, PATIENCE_S = 300.0, 3.0, 20.0, 3_600.0
TOML = '[project]\nname = "Crowd"\nsettle_s = 0.5\n'


def _drop(inbox: Path, stems: int) -> None:
    """Drop so many different stems of a second at once, in subfolders of a hundred."""
    body = band_limited_noise(np.random.default_rng(70), -30.0, FRAMES)
    raw = bytearray(wavefile.wave_bytes(body, kind=PCM_16))
    for number in range(stems):
        place = inbox / f"{number // FOLDERS:03d}" / f"{number:05d}.wav"
        place.parent.mkdir(exist_ok=True)
        raw[-4:] = number.to_bytes(4, "little")  # the last two samples make every stem another
        place.write_bytes(raw)


def _staged(song: Song) -> int:
    """Count the sidecars in the outbox."""
    return sum(name.endswith(".wav.json") for _, _, names in os.walk(song.outbox) for name in names)


def _memory_mb(process: Popen[bytes]) -> float:
    """Return the largest resident memory of a process so far, in MB (10^6 bytes), as the system counts it (Linux)."""
    status = Path(f"/proc/{process.pid}/status").read_text("ascii")
    return int(status.split("VmHWM:")[1].split()[0]) * 1024 / 1e6


def _drop_under_watch(song: Song, stems: int, log: Path) -> tuple[float, float]:
    """Watch, drop all stems at once, wait for the last copy and the tables; gives memory in MB and the time in s."""
    with song.stager.started("watch", song.folder, log=log) as watch:
        _await(lambda: "watching" in log.read_text(), watch)
        begun_s = time.monotonic()
        _drop(song.inbox, stems)
        _await(lambda: _staged(song) == stems, watch)
        taken_s = time.monotonic() - begun_s
        _await(lambda: _reported(song) == stems, watch)
        return _memory_mb(watch), taken_s


def _reported(song: Song) -> int:
    place = song.outbox / "report.json"
    return len(json.loads(place.read_bytes())["outcomes"]) if place.exists() else 0


def _await(what: object, watch: Popen[bytes]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not what():  # type: ignore[operator]
        assert watch.poll() is None, "the watch ended too early"
        assert time.monotonic() < deadline, "hung"
        time.sleep(0.2)


def _states(song: Song) -> dict[str, int]:
    """When every copy and sidecar was last written."""
    files = (path for path in song.outbox.rglob("*.wav*") if not path.name.startswith("."))
    return {path.name: path.stat().st_mtime_ns for path in files}


def _restart(song: Song, log: Path) -> tuple[float, str]:
    """Start once more over everything until idle; gives how long that took, less the idle time, and what was said."""
    begun_s = time.monotonic()
    with song.stager.started("watch", song.folder, "--until-idle", "0.1", log=log) as watch:
        assert watch.wait(PATIENCE_S) == 0
    return time.monotonic() - begun_s - 0.1, log.read_text()


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Drop 10,000 stems of a second, start again over them, and watch them while nothing happens."""
    song, stems = Song.made(bench.stager, bench.folder / "song", TOML), SHORT_STEMS if bench.short else STEMS
    peak_mb, taken_s = _drop_under_watch(song, stems, bench.folder / "log")
    yield Proof(f"{stems} stems at once, staged", "own", f"{stems}", f"{_staged(song)}", _staged(song) == stems)
    figure = f"{peak_mb:.0f} MB in {taken_s:.0f} s"
    yield Proof(f"{stems} stems at once, memory", "VmHWM", f"under {MEMORY_MB:g} MB", figure, peak_mb < MEMORY_MB)
    before = _states(song)
    restart_s, said = _restart(song, bench.folder / "restart")
    again = sum(before.get(name) != when for name, when in _states(song).items()) + said.count("staged ")
    yield Proof(f"{stems} stems, staged again by a restart", "own", "0", f"{again}", again == 0)
    figure = f"{restart_s:.2f} s"
    yield Proof(f"{stems} stems, restart", "own", f"a figure; {RESTART_S:g} s is wanted", figure, ok=True)
    yield idle.proof(song, stems, bench.folder / "idle", IDLE_S / 4 if bench.short else IDLE_S)
