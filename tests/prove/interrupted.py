"""Runs killed at a chosen step of replacing, renaming and linking: after one more run, `verify` is clean in every one.

Each third of the stems is disturbed between the kill and that run, as a person would: renamed, bounced anew under
another name, or taken out of the inbox, so that no stem is there to be staged again.
"""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.support.forks import KILLED, Forks, forks
from tests.support.outbox import drafts, is_draft
from tests.support.signals import band_limited_noise
from tests.support.song import Song, tree

KILLS, STRUCK, STEMS, FRAMES = 330, 300, 2, 6_000
"""A run has now more steps, now fewer, so that a few end before the step at which they were to be killed."""
DEEDS = ("kill", "kill after", "kill half")
TOML = '[project]\nname = "Salt Road"\nsettle_s = 0.0\n'
LINK = '[[link]]\nname = "pair"\nmatch = ["*.wav"]\n'


def _bounce(song: Song, name: str, level_dbfs: float) -> None:
    song.put(name, band_limited_noise(np.random.default_rng(round(-level_dbfs)), level_dbfs, FRAMES))


def _replacing(song: Song) -> None:
    """Stems bounced anew."""
    for number in range(STEMS):
        _bounce(song, f"{number}.wav", -31.0 - number)


def _renaming(song: Song) -> None:
    """One stem under another name, one bounced anew."""
    (song.inbox / "0.wav").rename(song.inbox / "first.wav")
    _bounce(song, "1.wav", -33.0)


def _linking(song: Song) -> None:
    """All stems in a link from now on."""
    song.file.write_text(song.file.read_text() + LINK)


WORKS: dict[str, Callable[[Song], None]] = {"replacing": _replacing, "renaming": _renaming, "linking": _linking}


def _nothing(_song: Song) -> None:
    """Nobody does anything before the next run."""


def _rename(song: Song) -> None:
    for path in sorted(song.inbox.glob("*.wav")):
        path.rename(path.with_name(f"new {path.name}"))


def _rename_and_bounce(song: Song) -> None:
    for number, path in enumerate(sorted(song.inbox.glob("*.wav"))):
        path.unlink()
        _bounce(song, f"new {path.name}", -41.0 - number)


def _take_out(song: Song) -> None:
    for path in song.inbox.glob("*.wav"):
        path.unlink()


DISTURBED: tuple[Callable[[Song], None], ...] = (_nothing, _rename, _rename_and_bounce, _take_out)


def _begun(bench: ProofContext, server: Forks, name: str) -> tuple[Song, int]:
    """Return a staged song in which this work is due, and the number of its steps."""
    song = Song.made(bench.stager, bench.folder / name, TOML)
    for number in range(STEMS):
        _bounce(song, f"{number}.wav", -21.0 - number)
    assert server.run("stage", "--jobs", "1", song.folder, below=song.folder).code == 0
    WORKS[name](song)
    calm = bench.folder / f"{name}_calm"
    shutil.copytree(song.folder, calm)
    return song, len(server.run("stage", "--jobs", "1", calm, below=calm).steps)


def _killed(server: Forks, song: Song, place: Path, step: int, number: int) -> tuple[bool, list[str]]:
    """Kill one run at a step, disturb the song, run once more; return whether it was killed and what is wrong then."""
    shutil.copytree(song.folder, place)
    song = Song(song.stager, place)
    deed, disturb = DEEDS[number % len(DEEDS)], DISTURBED[number % len(DISTURBED)]
    killed = server.run("stage", "--jobs", "1", place, below=place, step=step, deed=deed)
    disturb(song)
    originals = tree(song.inbox)
    again = server.run("stage", "--jobs", "1", place, below=place)
    verified = server.run("verify", place, below=place)
    wrong = [f"{place.name}, step {step}, {deed}, {disturb.__name__}: {says}" for says in _wrong(song, again.code)]
    if verified.code != 0:
        wrong.append(f"{place.name}, step {step}, {deed}, {disturb.__name__}: verify {verified.stdout[-300:]}")
    if tree(song.inbox) != originals:
        wrong.append(f"{place.name}: changed originals")
    shutil.rmtree(place)
    return killed.code == KILLED, wrong


def _wrong(song: Song, code: int) -> Iterator[str]:
    """Yield what must not be after the run that follows a kill."""
    if code != 0:
        yield f"exit {code}"
    if left := drafts(song):
        yield f"drafts {left}"
    names = {path.name for path in song.outbox.iterdir() if path.suffix in {".wav", ".json"} and not is_draft(path)}
    copies = {name for name in names if name.endswith(".wav")}
    if alone := copies ^ {name.removesuffix(".json") for name in names - copies - {"report.json"}}:
        yield f"copies or sidecars alone: {sorted(alone)}"


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Kill a hundred runs of each work, at steps spread over all of them."""
    with forks(bench.folder / "forks") as server:
        for name in WORKS:
            song, steps = _begun(bench, server, name)
            kills, struck, wrong = bench.count(KILLS // len(WORKS)), 0, list[str]()
            for number in range(kills):
                step = 1 + number * steps // kills
                was_killed, found = _killed(server, song, bench.folder / f"{name}{number}", step, number)
                struck += was_killed
                wrong += found
            says = f"{len(wrong)} in {struck} kills" + (f": {wrong[0]}" if wrong else "")
            claim = f"kill at a step of {name}, then one run: verify not clean"
            enough = kills * STRUCK // KILLS
            yield Proof(claim, "stager verify", f"0 in {enough} kills or more", says, not wrong and struck >= enough)
