"""A thousand songs below one folder: memory of their watch, its cost while nothing happens, time to find a stem."""

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from subprocess import Popen

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.support import wavefile
from tests.support.calm import processor_s
from tests.support.signals import band_limited_noise

PROJECTS = 1_000
MEMORY_MB, IDLE_SHARE, FOUND_S = 400.0, 0.02, 1.5
REST_S, IDLE_S, PATIENCE_S = 15.0, 60.0, 900.0
TRIES = 10
TOML = 'version = 1\n[project]\ninbox = "in"\noutbox = "out"\nsettle_s = 0.0\n'


def made_projects(parent: Path, projects: int) -> list[Path]:
    """Make so many projects without a stem below a folder."""
    folders = [parent / f"song{number:04d}" for number in range(projects)]
    for folder in folders:
        (folder / "in").mkdir(parents=True)
        (folder / "stager.toml").write_text(TOML, "utf-8")
    return folders


def memory_mb(process: Popen[bytes]) -> float:
    """Return the largest resident memory of a process so far, in MB (10^6 bytes), as the system counts it (Linux)."""
    status = Path(f"/proc/{process.pid}/status").read_text("ascii")
    return int(status.split("VmHWM:")[1].split()[0]) * 1024 / 1e6


def wait_until(what: Callable[[], bool], watch: Popen[bytes], every_s: float = 0.2) -> None:
    """Wait until something is so, while a watch lives."""
    deadline = time.monotonic() + PATIENCE_S
    while not what():
        assert watch.poll() is None, "the watch ended too early"
        assert time.monotonic() < deadline, "hung"
        time.sleep(every_s)


def found_s(folder: Path, watch: Popen[bytes], content: bytes, name: str) -> float:
    """Drop a stem, and return how long until its copy and sidecar are there, in s."""
    (folder / "in" / name).write_bytes(content)
    begun_s = time.monotonic()
    wait_until((folder / "out" / f"{name}.json").exists, watch, 0.005)
    return time.monotonic() - begun_s


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Watch a thousand projects with `--discover`: memory, calm, and ten stems in different ones."""
    projects = bench.count(PROJECTS)
    folders = made_projects(bench.folder / "songs", projects)
    content = wavefile.wave_bytes(band_limited_noise(np.random.default_rng(71), -30.0, 4_800))
    log = bench.folder / "log"
    with bench.stager.started("watch", bench.folder / "songs", "--discover", log=log) as watch:
        begun_s = time.monotonic()
        wait_until(lambda: log.read_text().count("watching ") == projects, watch)
        started_s = time.monotonic() - begun_s
        found_s(folders[0], watch, content, "first.wav")  # compiles, where nothing is compiled yet
        wait_until(lambda: all((folder / ".stager" / "check.json").exists() for folder in folders), watch)
        time.sleep(REST_S)
        before_s, begun_s = processor_s(watch.pid), time.monotonic()
        time.sleep(IDLE_S / 4 if bench.short else IDLE_S)
        share = (processor_s(watch.pid) - before_s) / (time.monotonic() - begun_s)
        times = [found_s(folder, watch, content, "a.wav") for folder in folders[:: max(1, projects // TRIES)]]
        peak_mb = memory_mb(watch)
        watch.terminate()
        begun_s = time.monotonic()
        ended = watch.wait(PATIENCE_S) == 0
        ended_s = time.monotonic() - begun_s
    what = f"{projects} projects"
    yield Proof(f"{what}, all watched after", "own", "a figure", f"{started_s:.0f} s", ok=True)
    yield Proof(f"{what}, memory", "VmHWM", f"under {MEMORY_MB:g} MB", f"{peak_mb:.0f} MB", peak_mb < MEMORY_MB)
    yield Proof(f"{what}, nothing happens", "the system", f"under {IDLE_SHARE:.0%}", f"{share:.2%}", share < IDLE_SHARE)
    slowest = f"slowest of {len(times)}: {max(times):.2f} s"
    yield Proof(f"{what}, a new stem staged", "own", f"within {FOUND_S:g} s", slowest, max(times) < FOUND_S)
    yield Proof(f"{what}, ended by SIGTERM", "own", "exit 0", f"after {ended_s:.0f} s", ended)
