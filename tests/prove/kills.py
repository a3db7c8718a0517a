"""`stage` killed at random moments: nothing half-written has a name, and the next run ends where a calm one does."""

import json
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.outside import wavefile
from tests.outside.command import HUNG_S
from tests.outside.signals import noise
from tests.outside.song import Song, sha256
from tests.prove.proof import Bench, Proof

STEMS, FRAMES = 6, 240_000
POINTS = 40
SOURCE = "a calm run of the same stems, by SHA-256"


def _song(bench: Bench, name: str) -> Song:
    """A song with the same stems under any name of folder; half of them bounced a second time later."""
    song, rng = Song.made(bench.stager, bench.folder / name / "song"), np.random.default_rng(40)
    for number in range(STEMS):
        song.put(f"{number}.wav", noise(rng, -30.0, FRAMES, 2))
    return song


def _rebounce(song: Song) -> None:
    rng = np.random.default_rng(41)
    for number in range(0, STEMS, 2):
        wavefile.write(song.inbox / f"{number}.wav", noise(rng, -26.0, FRAMES, 2))


def _killed(bench: Bench, song: Song, after_s: float) -> bool:
    """Stage, and kill it after so long; False where it had ended before."""
    with bench.stager.started("stage", song.folder, log=bench.folder / "log") as process:
        time.sleep(after_s)
        process.kill()
        return process.wait(HUNG_S) != 0


def _faults(song: Song, calm: set[str]) -> list[str]:
    """What must not be after a kill: a copy that no calm run makes, a sidecar whose copy is another."""
    named = [path for path in song.outbox.rglob("*.wav") if not path.name.startswith(".")]
    found = [f"{path.name} is no whole copy" for path in named if sha256(path) not in calm]
    for path in song.outbox.rglob("*.wav.json"):
        copy = path.with_suffix("")
        if not copy.is_file() or json.loads(path.read_text())["copy"]["sha256"] != sha256(copy):
            found.append(f"{path.name} describes another copy")
    return found


def _copies(folder: Path) -> set[str]:
    return {sha256(path) for path in folder.glob("*.wav")}


def prove(bench: Bench) -> Iterator[Proof]:
    """Kill runs over fresh stems and over stems bounced anew, at moments spread over a whole run."""
    calm = _song(bench, "calm")
    begun_s = time.monotonic()
    assert calm.stage().code == 0
    run_s = time.monotonic() - begun_s
    whole, first = calm.settled(), _copies(calm.outbox)
    _rebounce(calm)
    assert calm.stage().code == 0
    again, both = calm.settled(), first | _copies(calm.outbox)
    rng, song = np.random.default_rng(4), None
    faults, different, killed = [], 0, 0
    points = max(6, bench.count(POINTS))
    for point in range(points):
        if song is None or point % 2 == 0:
            song = _song(bench, f"killed_{point}")
        else:
            _rebounce(song)
        killed += _killed(bench, song, float(rng.uniform(0.3, 1.0)) * run_s)
        faults += _faults(song, both)
        assert song.stage().code == 0
        different += song.settled() != (whole if point % 2 == 0 else again)
    figure = f"{killed} of {points}"
    yield Proof("kill -9 of stage, moments at which it was at work", "own", "1 or more", figure, killed >= 1)
    figure = f"{len(faults)}" + (f": {faults[0]}" if faults else "")
    yield Proof("kill -9 of stage, partial copies and wrong sidecars", SOURCE, "0", figure, not faults)
    yield Proof("kill -9 of stage, outboxes unlike a calm run's in the end", SOURCE, "0", f"{different}", not different)
