"""A run that dies, or is refused something, at every step of the writing hand: nothing half-written has a name.

Each run is the installed command in a fork that is killed (kill -9) before a step, after it, or half-way through a
write, or that gets an error number instead. The run after it must end where a calm one does.
"""

import itertools
import shutil
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.prove.scenes import Scene, scenes
from tests.support.forks import KILLED, Ended, Forks, forks
from tests.support.outbox import drafts, wrongs
from tests.support.song import Song, tree

KILLS, FAULTS, SERVERS = 2_000, 800, 2
DEEDS = ("kill", "kill half", "kill after")
ERRORS = ("ENOSPC", "EIO", "EROFS", "EACCES")
SOURCE = "a calm run of the same stems"


@dataclass(frozen=True)
class Blow:
    """What befalls one run, at which step; `second` is the step at which the run after it dies too (0: it lives)."""

    scene: Scene
    step: int
    name: str
    deed: str
    lasting: bool = False
    second: int = 0

    def __str__(self) -> str:
        """Return where it falls."""
        after = f", and again at {self.second}" if self.second else ""
        return f"{self.scene.name}: {self.deed} at {self.step} ({self.name}){after}"


@dataclass
class Tally:
    """What was found in many trials, a line each."""

    struck: int = 0
    partial: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    unclear: list[str] = field(default_factory=list)

    def add(self, other: "Tally") -> None:
        """Take in another's findings."""
        self.struck += other.struck
        for name in ("partial", "lost", "changed", "unclear"):
            getattr(self, name).extend(getattr(other, name))


def _stage(server: Forks, song: Song, scene: Scene, step: int = 0, deed: str = "count", **named: bool) -> Ended:
    argv = ("stage", song.folder, *scene.argv)
    return server.run(*argv, below=song.folder, step=step, deed=deed, links=scene.links, **named)


def _steps(server: Forks, scene: Scene, folder: Path) -> list[str]:
    """Return the steps of a calm run, by what they do."""
    song = scene.put_up(folder / "counted")
    ended = _stage(server, song, scene)
    shutil.rmtree(song.folder)
    return [step.split(" /")[0] for step in ended.steps]


def _try(server: Forks, blow: Blow, place: Path) -> Tally:
    """Strike one run, look at what it left, and let another finish."""
    scene, tally = blow.scene, Tally()
    song = scene.put_up(place)
    originals = tree(song.inbox)
    ended = _stage(server, song, scene, blow.step, blow.deed, lasting=blow.lasting)
    tally.struck += ended.code == KILLED or not blow.deed.startswith("kill")
    tally.partial += [f"{blow}: {line}" for line in _wrongs(song, scene)]
    if not blow.deed.startswith("kill"):
        tally.unclear += [f"{blow}: {line}" for line in _unclear(ended, blow, song)]
    if blow.second:
        tally.struck += _stage(server, song, scene, blow.second, "kill").code == KILLED
        tally.partial += [f"{blow}: {line}" for line in _wrongs(song, scene)]
    after = _stage(server, song, scene)
    if after.code not in {0, 1} or "Traceback" in after.stderr:
        tally.unclear.append(f"{blow}: the next run ends with {after.code}: {after.stderr.splitlines()[-1:]}")
    if song.settled() != scene.calm or drafts(song):
        tally.lost.append(f"{blow}: {_difference(song.settled(), scene)}")
    if tree(song.inbox) != originals:
        tally.changed.append(str(blow))
    shutil.rmtree(song.folder)
    return tally


def _wrongs(song: Song, scene: Scene) -> list[str]:
    return [line for line in wrongs(song, scene.copies) if line not in scene.already]


def _difference(found: dict[str, object], scene: Scene) -> str:
    names = sorted(name for name in {*found, *scene.calm} if found.get(name) != scene.calm.get(name))
    return f"not as in a calm run: {', '.join(names) or 'drafts'}"


def _unclear(ended: Ended, blow: Blow, song: Song) -> Iterator[str]:
    """What is wrong about the answer to an error: it is one line, and no draft is left where it could be removed."""
    if ended.code not in {0, 1, 2} or "Traceback" in ended.stderr:
        yield f"exit {ended.code}: {ended.stderr.splitlines()[-1:]}"
    said = [line for line in ended.stderr.splitlines() if line.startswith("stager: ")]
    if ended.code == 2 and len(said) != 1:
        yield f"expected one line that says why, found {ended.stderr!r}"
    if drafts(song) and blow.name != "unlink":
        yield f"drafts are left: {drafts(song)}"


def _kills(all_steps: Sequence[tuple[Scene, list[str]]], rng: np.random.Generator) -> Iterator[Blow]:
    """Every step of every scene once with every way to die, in any order; then pairs of steps, without end."""
    every = [
        Blow(scene, step, name, deed)
        for scene, names in all_steps
        for step, name in enumerate(names, 1)
        for deed in DEEDS
        if deed != "kill half" or name == "write"
    ]
    yield from (every[which] for which in rng.permutation(len(every)))
    while True:
        one = every[int(rng.integers(len(every)))]
        yield Blow(one.scene, one.step, one.name, one.deed, second=int(rng.integers(1, 40)))


def _errors(all_steps: Sequence[tuple[Scene, list[str]]], rng: np.random.Generator) -> Iterator[Blow]:
    """Steps of any scene with any error, which passes or stays."""
    while True:
        scene, names = all_steps[int(rng.integers(len(all_steps)))]
        step = int(rng.integers(len(names)))
        yield Blow(scene, step + 1, names[step], ERRORS[int(rng.integers(4))], lasting=bool(rng.integers(2)))


def _many(servers: Sequence[Forks], blows: Sequence[Blow], folder: Path) -> Tally:
    """Share the trials among the servers."""
    numbers, whole = itertools.count(), Tally()

    def share(which: int) -> Tally:
        tally = Tally()
        for blow in blows[which :: len(servers)]:
            tally.add(_try(servers[which], blow, folder / f"trial{next(numbers)}"))
        return tally

    with ThreadPoolExecutor(len(servers)) as pool:
        for tally in pool.map(share, range(len(servers))):
            whole.add(tally)
    return whole


def _none(claim: str, found: list[str]) -> Proof:
    figure = f"{len(found)}" + (f": {'; '.join(found[:3])}" if found else "")
    return Proof(claim, SOURCE, "0", figure, not found)


def _proofs(what: str, tally: Tally, asked: int) -> Iterator[Proof]:
    bound = f"{asked} or more"
    yield Proof(f"{what}, steps struck", "own", bound, f"{tally.struck}", tally.struck >= asked)
    yield _none(f"{what}, partial copies and wrong sidecars", tally.partial)
    yield _none(f"{what}, outboxes unlike a calm run's in the end", tally.lost)
    yield _none(f"{what}, changed originals", tally.changed)
    yield _none(f"{what}, unclear answers", tally.unclear)


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Kill and refuse at the steps of fifteen scenes."""
    rng = np.random.default_rng(50)
    with ExitStack() as stack:
        servers = [stack.enter_context(forks(bench.folder / f"forks{number}")) for number in range(SERVERS)]

        def stage(song: Song, argv: tuple[str, ...], links: bool) -> int:
            return servers[0].run("stage", song.folder, *argv, below=song.folder, links=links).code

        set_up = [(scene, _steps(servers[0], scene, bench.folder)) for scene in scenes(bench, stage)]
        kills, faults = bench.count(KILLS), bench.count(FAULTS)
        counts = Counter(name.split(" ")[0] for _, names in set_up for name in names)
        yield Proof("steps of the writing hand, by kind", "own", "5 kinds or more", f"{len(counts)}", len(counts) >= 5)
        tally = _many(servers, list(itertools.islice(_kills(set_up, rng), kills)), bench.folder)
        yield from _proofs("kill -9 at a step", tally, kills)
        tally = _many(servers, list(itertools.islice(_errors(set_up, rng), faults)), bench.folder)
        yield from _proofs("an error at a step", tally, faults)
