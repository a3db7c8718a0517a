"""What a check of a whole song costs: sixty stereo stems of four minutes, staged, and examined again by a watch.

The stems are written by struct and numpy; time and memory are the system's own account of the installed command.
"""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from subprocess import Popen
from typing import Any, Final

import numpy as np

from tests.prove import whole_set_song
from tests.prove.proof import Proof, ProofContext
from tests.support.command import HUNG_S
from tests.support.song import Song
from tests.support.wavefile import PCM_24

SEED: Final = 6_060
SECONDS: Final = 240.0
MOST_S, MOST_MB = 60.0, 500.0
TOML: Final = '[project]\nname = "Salt Road"\nsettle_s = 0.2\n'
PATIENCE_S: Final = 10.0 * HUNG_S
LAUNCHER: Final = """
import os, sys
_, status, usage = os.wait4(os.posix_spawn(sys.argv[1], sys.argv[1:], os.environ), 0)
print(usage.ru_maxrss, usage.ru_utime + usage.ru_stime, file=sys.stderr)
sys.exit(os.waitstatus_to_exitcode(status))
"""
"""Starts a command and tells its memory and processor time; it is kept small, since Linux counts it in."""
WHO: Final = "the system (wait4)"


@dataclass(frozen=True)
class Cost:
    """What a command took: time and processor time in s, and its largest resident memory in MB (10^6 bytes)."""

    taken_s: float
    processor_s: float
    peak_mb: float


def _checked(song: Song) -> tuple[dict[str, Any], Cost]:
    """Check a song; gives the document and what it took."""
    document = song.folder.parent / "check.json"
    line = [sys.executable, "-I", "-S", "-c", LAUNCHER, *song.stager.line("check", song.folder, "--json")]
    begun_s = time.monotonic()
    with document.open("wb") as out:
        done = subprocess.run(line, stdout=out, stderr=subprocess.PIPE, timeout=PATIENCE_S, check=True)
    taken_s, (peak, processor_s) = time.monotonic() - begun_s, map(float, done.stderr.split()[-2:])
    return _parsed(document), Cost(taken_s, processor_s, peak * 1024 / 1e6)


def _parsed(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(path.read_bytes())
    return found


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Write the song, stage it, check it, and let a watch examine it twice."""
    song = Song.made(bench.stager, bench.folder / "song", TOML)
    names = whole_set_song.write(song.inbox, SEED, SECONDS / 10 if bench.short else SECONDS)
    for name in names:
        song.rest(name)
    result = song.stager("stage", song.folder)
    assert result.code == 0, result.stderr
    document, cost = _checked(song)
    what = f"check of {len(names)} stereo stems of {SECONDS / 10 if bench.short else SECONDS:g} s"
    figure = f"{cost.taken_s:.1f} s, {cost.processor_s:.1f} s of the processors"
    yield Proof(f"{what}, time", WHO, f"under {MOST_S:g} s", figure, cost.taken_s < MOST_S)
    figure = f"{cost.peak_mb:.0f} MB"
    yield Proof(f"{what}, memory", WHO, f"under {MOST_MB:g} MB", figure, cost.peak_mb < MOST_MB)
    yield from _found(document)
    yield _again(song, bench.folder / "log")


def _found(document: dict[str, Any]) -> Iterator[Proof]:
    """Compare what was said of doubles and copies with what the song has."""
    accused = [frozenset(f["stems"]) for f in document["findings"] if f["code"] == "double_is_copy"]
    truth = whole_set_song.copies()
    figure = f"{sum(pair in accused for pair in truth)} of {len(truth)}, {len(accused)} accused"
    yield Proof(
        "its copies are told, nothing else is", "the generator", "all", figure, _in_order(accused) == _in_order(truth)
    )
    told = {frozenset(d["stems"]) for d in document["doubles"] if d["kind"] == "two_performances"}
    doubles = whole_set_song.doubles()
    figure = f"{sum(pair in told for pair in doubles)} of {len(doubles)}"
    yield Proof("its doubles are told as such", "the generator", "all", figure, all(pair in told for pair in doubles))
    left = f"{document['pairs_left_out']} of {document['pairs_left_out'] + document['pairs_compared']}"
    yield Proof("likely pairs left out, and said", "own", "a figure", left, ok=True)


def _in_order(pairs: Iterable[frozenset[str]]) -> list[list[str]]:
    """Return pairs in an order of their own."""
    return sorted(sorted(pair) for pair in pairs)


def _again(song: Song, log: Path) -> Proof:
    """Return what a watch's second examination takes of the processor, one stem bounced anew, against the first."""
    report = song.folder / ".stager" / "check.json"
    name = whole_set_song.first_name()
    with song.stager.started("watch", song.folder, log=log) as watch:
        _await(report.exists, watch)
        first_s = _processor_s(watch.pid)
        at_ns = report.stat().st_mtime_ns
        samples = song.original(name).samples()
        song.put(name, np.roll(samples, 100, axis=0), whole_set_song.RATE_HZ, PCM_24)
        _await(lambda: report.stat().st_mtime_ns > at_ns, watch)
        second_s = _processor_s(watch.pid) - first_s
    figure = f"{second_s / first_s:.2f} ({second_s:.1f} of {first_s:.1f} s)"
    claim = "a watch's second examination, one stem new, against the first"
    return Proof(claim, "the system (/proc)", "under 1, processor time", figure, second_s < first_s)


def _await(what: Callable[[], bool], watch: Popen[bytes]) -> None:
    deadline_s = time.monotonic() + PATIENCE_S
    while not what():
        assert watch.poll() is None, "the watch ended too early"
        assert time.monotonic() < deadline_s, "hung"
        time.sleep(0.2)


def _processor_s(pid: int) -> float:
    """Return the processor time that a process has taken, in s (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
