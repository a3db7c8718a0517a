"""The installed command killed at random moments: nothing half-written has a name, and the end is that of a calm run.

`stage` is killed over fresh stems and over stems bounced anew, and over hundreds of short ones, where other processes
are at work for it and may be a moment longer; `watch` while stems are written and re-bounced all the
time, and is started again at once, so that it sweeps up and goes on under the same writers.
"""

import itertools
import shutil
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event, Thread
from typing import Any

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.support.command import HUNG_S
from tests.support.outbox import copies_in, drafts, wrongs
from tests.support.signals import band_limited_noise
from tests.support.song import Song, sha256, tree

STEMS, FRAMES = 6, 72_000
STAGE_KILLS, SHORT_KILLS, WATCH_KILLS, AT_ONCE, CALM_RUNS = 100, 20, 200, 2, 3
SHORT_STEMS, SHORT_FRAMES = 320, 4_800
JOBS = ("--jobs", "2")
VERSIONS, LIVE_STEMS, LIVE_FRAMES = 5, 4, 40_000
PIECES, PAUSE_S = 4, 0.01
TOML = '[project]\nname = "Salt Road"\nsettle_s = 0.05\n'
SOURCE = "a calm run of the same stems, by SHA-256"


@dataclass
class Tally:
    """What was found, a line each; `struck` counts the runs that were at work when they were killed."""

    struck: int = 0
    partial: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)

    def add(self, other: "Tally") -> None:
        """Take in another's findings."""
        self.struck += other.struck
        self.partial += other.partial
        self.lost += other.lost
        self.changed += other.changed


def _killed(bench: ProofContext, song: Song, command: tuple[str, ...], after_s: float, log: Path) -> bool:
    """Run a command, and kill it after so long; False where it had ended before."""
    with bench.stager.started(*command, song.folder, log=log) as process:
        time.sleep(after_s)
        process.kill()
        return process.wait(HUNG_S) != 0


@dataclass(frozen=True)
class Before:
    """A song before a run, all copies that may lie in its outbox, what calm runs leave there, how long they take."""

    song: Song
    copies: set[str]
    calm: dict[str, Any]
    run_s: float


def _before(bench: ProofContext, name: str, prepare: Callable[[Song], None]) -> Before:
    song, runs_s = Song.made(bench.stager, bench.folder / name), []
    prepare(song)
    for number in range(CALM_RUNS):
        calm = Song(bench.stager, bench.folder / f"{name}_calm{number}")
        shutil.copytree(song.folder, calm.folder)
        begun_s = time.monotonic()
        assert calm.stage(*JOBS).code == 0
        runs_s.append(time.monotonic() - begun_s)
    return Before(song, copies_in(song.settled()) | copies_in(calm.settled()), calm.settled(), min(runs_s))


def _bounce(song: Song, numbers: range, seed: int, frames: int = FRAMES) -> None:
    rng = np.random.default_rng(seed)
    for number in numbers:
        song.put(f"{number}.wav", band_limited_noise(rng, -30.0 + seed % 7, frames, 2))


def _bounced_again(song: Song) -> None:
    _bounce(song, range(STEMS), 40)
    assert song.stage().code == 0
    _bounce(song, range(0, STEMS, 2), 41)


def _stage_once(bench: ProofContext, before: Before, place: Path, part: float) -> Tally:
    """Kill one `stage` after this part of a calm run's time, and let another finish."""
    song, tally = Song(bench.stager, place), Tally()
    shutil.copytree(before.song.folder, place)
    originals = tree(song.inbox)
    tally.struck += _killed(bench, song, ("stage", *JOBS), part * before.run_s, bench.folder / "log")
    tally.partial += wrongs(song, before.copies)
    assert song.stage(*JOBS).code == 0
    if song.settled() != before.calm or drafts(song):
        tally.lost.append(f"{place.name}: not as in a calm run")
    if tree(song.inbox) != originals:
        tally.changed.append(place.name)
    shutil.rmtree(place)
    return tally


def _stages(bench: ProofContext, points: int) -> Tally:
    befores = [_before(bench, "fresh", lambda song: _bounce(song, range(STEMS), 40))]
    befores.append(_before(bench, "again", _bounced_again))
    return _stages_of(bench, befores, points)


def _short_stages(bench: ProofContext, points: int) -> Tally:
    numbers = range(SHORT_STEMS)
    return _stages_of(bench, [_before(bench, "short", lambda song: _bounce(song, numbers, 43, SHORT_FRAMES))], points)


def _stages_of(bench: ProofContext, befores: list[Before], points: int) -> Tally:
    rng, whole = np.random.default_rng(4), Tally()
    parts = [float(part) for part in rng.uniform(0.4, 1.2, points)]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for tally in pool.map(
            lambda point: _stage_once(
                bench, befores[point % len(befores)], bench.folder / f"killed{point}", parts[point]
            ),
            range(points),
        ):
            whole.add(tally)
    return whole


class Bouncer(Thread):
    """Bounces stems over and over, in pieces with the sizes last, or beside and renamed, until it is told to end."""

    def __init__(self, song: Song, versions: list[bytes], seed: int) -> None:
        super().__init__(daemon=True)
        self._song, self._versions, self._rng = song, versions, np.random.default_rng(seed)
        self._over = Event()
        self.bounces = 0
        self.last: dict[str, bytes] = {}

    def run(self) -> None:
        """Bounce every stem once, then any."""
        for number in itertools.chain(range(LIVE_STEMS), iter(lambda: int(self._rng.integers(LIVE_STEMS)), -1)):
            raw = self._versions[int(self._rng.integers(len(self._versions)))]
            place = self._song.inbox / f"{number}.wav"
            (self._in_place if self._rng.integers(2) else self._beside)(place, raw)
            self.last[place.name] = raw
            self.bounces += 1
            if self._over.wait(float(self._rng.uniform(0.05, 0.3))) and len(self.last) == LIVE_STEMS:
                return

    def _in_place(self, place: Path, raw: bytes) -> None:
        with place.open("wb", buffering=0) as out:
            out.write(raw[:4] + bytes(4) + raw[8:40] + bytes(4))
            for start in range(44, len(raw), len(raw) // PIECES):
                time.sleep(PAUSE_S)
                out.write(raw[start : start + len(raw) // PIECES])
            out.seek(40)
            out.write(raw[40:44])
            out.seek(4)
            out.write(raw[4:8])

    def _beside(self, place: Path, raw: bytes) -> None:
        beside = place.with_suffix(".part")
        beside.write_bytes(raw)
        beside.replace(place)

    def end(self) -> None:
        """Wait for the bounce that is under way, and begin no other."""
        self._over.set()
        self.join(HUNG_S)


def _versions(bench: ProofContext) -> tuple[list[bytes], dict[str, str]]:
    """Finished files, and for each, by its hash, the hash of the copy that a calm run makes."""
    rng, song = np.random.default_rng(42), Song.made(bench.stager, bench.folder / "versions")
    levels_dbfs = [-34.0 + 3.0 * number for number in range(VERSIONS)]
    for number, level_dbfs in enumerate(levels_dbfs):
        song.put(f"{number}.wav", band_limited_noise(rng, level_dbfs, LIVE_FRAMES + 500 * number))
    assert song.stage().code == 0
    names = [f"{number}.wav" for number in range(VERSIONS)]
    copies = {sha256(song.inbox / name): sha256(song.outbox / name) for name in names}
    return [(song.inbox / name).read_bytes() for name in names], copies


def _watch(bench: ProofContext, name: str, points: int, seed: int, known: tuple[list[bytes], dict[str, str]]) -> Tally:
    """Kill a watch so many times under one writer, and see how it ends once that rests."""
    song, tally, rng = Song.made(bench.stager, bench.folder / name, TOML), Tally(), np.random.default_rng(seed)
    versions, copies = known
    bouncer, had = Bouncer(song, versions, seed), set[str]()
    bouncer.start()
    for _ in range(points):
        tally.struck += _killed(bench, song, ("watch",), float(rng.uniform(0.5, 1.6)), bench.folder / f"{name}.log")
        tally.partial += wrongs(song, copies.values())
        there = {path.name for path in song.outbox.glob("*.wav")}
        tally.lost += [f"the copy of {lost} is gone" for lost in had - there]
        had |= there
    bouncer.end()
    assert bench.stager("watch", song.folder, "--until-idle", "0.5").code == 0
    return _end(song, bouncer, copies, tally)


def _end(song: Song, bouncer: Bouncer, copies: dict[str, str], tally: Tally) -> Tally:
    """Compare the end with a calm run of what the writer left."""
    for name, raw in bouncer.last.items():
        if (song.inbox / name).read_bytes() != raw:
            tally.changed.append(name)
        source = sha256(song.inbox / name)
        if not (song.outbox / name).is_file() or sha256(song.outbox / name) != copies[source]:
            tally.lost.append(f"the copy of {name} is not that of the file at rest")
        elif song.sidecar(name)["source"]["sha256"] != source:
            tally.lost.append(f"the sidecar of {name} is not that of the file at rest")
    if song.outbox_names() != set(bouncer.last) | {f"{name}.json" for name in bouncer.last}:
        tally.lost.append(f"the outbox holds {sorted(song.outbox_names())}")
    return tally


def _watches(bench: ProofContext, points: int) -> Tally:
    known, whole = _versions(bench), Tally()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for tally in pool.map(
            lambda which: _watch(bench, f"live{which}", points // AT_ONCE, 60 + which, known), range(AT_ONCE)
        ):
            whole.add(tally)
    return whole


def _none(claim: str, found: list[str]) -> Proof:
    figure = f"{len(found)}" + (f": {found[0]}" if found else "")
    return Proof(claim, SOURCE, "0", figure, not found)


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Kill 100 runs of `stage`, 20 over many short stems, and 200 of `watch`."""
    works = (
        ("stage", _stages, STAGE_KILLS),
        ("stage, many short stems", _short_stages, SHORT_KILLS),
        ("watch", _watches, WATCH_KILLS),
    )
    for command, run, kills in works:
        points = bench.count(kills)
        tally, what = run(bench, points), f"kill -9 of {command}"
        bound, figure = f"{points // 2} or more", f"{tally.struck} of {points}"
        yield Proof(f"{what}, moments at which it was at work", "own", bound, figure, tally.struck >= points // 2)
        yield _none(f"{what}, partial copies and wrong sidecars", tally.partial)
        yield _none(f"{what}, lost stems and outboxes unlike a calm run's", tally.lost)
        yield _none(f"{what}, changed originals", tally.changed)
