"""Short projects at the moment before a run, each with what a calm run of it makes."""

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tests.prove.proof import ProofContext
from tests.support import wavefile
from tests.support.outbox import copies_in, wrongs
from tests.support.signals import band_limited_noise, sine, stereo
from tests.support.song import Song, tree
from tests.support.wavefile import FLOAT, PCM_16, PCM_24

SECONDS = 0.45
Stage = Callable[[Song, tuple[str, ...], bool], int]
"""Stages a song with further arguments, on a file system with hard links or without; gives the exit status."""
TOML = '[project]\nname = "Salt Road"\nsettle_s = 0.0\n'


@dataclass(frozen=True)
class Scene:
    """A project before a run; `calm` is what lies in its outbox after a run that nothing disturbed.

    `copies` are the hashes of all copies that may lie there, `already` what was wrong there before.
    """

    name: str
    before: Song
    argv: tuple[str, ...]
    links: bool
    copies: frozenset[str]
    calm: dict[str, Any]
    already: tuple[str, ...]

    def put_up(self, place: Path) -> Song:
        """Set the scene once more, at a place that is free."""
        shutil.copytree(self.before.folder, place, symlinks=True)
        return Song(self.before.stager, place)


def _part(song: Song, name: str, level_dbfs: float = -30.0, **named: Any) -> None:
    song.put(name, sine(440, level_dbfs, SECONDS), **named)


def _fresh(song: Song, _stage: Stage) -> None:
    _part(song, "part.wav")


def _two(song: Song, _stage: Stage) -> None:
    song.outbox.rmdir()
    song.put("one.wav", stereo(sine(300, -40.0, SECONDS)), kind=PCM_16)
    _part(song, "sub/deeper/two.wav", -8.0)


def _rebounced(song: Song, stage: Stage) -> None:
    _part(song, "part.wav")
    assert stage(song, (), True) == 0
    _part(song, "part.wav", -24.0)


def _untrimmed(song: Song, _stage: Stage) -> None:
    _part(song, "part.wav", -18.0)


def _altered(song: Song, stage: Stage) -> None:
    _rebounced(song, stage)
    wavefile.write(song.outbox / "part.wav", sine(440, -12.0, SECONDS))


def _stamped(song: Song, _stage: Stage) -> None:
    bext = bytes(602) + b"A=PCM\r\n"
    song.put(
        "part.wav", band_limited_noise(np.random.default_rng(3), -30.0, 20_000, 2), kind=FLOAT, before=[(b"bext", bext)]
    )


def _up_to_date(song: Song, stage: Stage) -> None:
    _part(song, "part.wav")
    assert stage(song, (), True) == 0


def _one_cut(song: Song, _stage: Stage) -> None:
    _part(song, "part.wav")
    whole = wavefile.wave_bytes(sine(440, -30.0, SECONDS))
    (song.inbox / "cut.wav").write_bytes(whole[: len(whole) // 2])
    song.rest("cut.wav", 10.0)


def _retargeted(song: Song, stage: Stage) -> None:
    _up_to_date(song, stage)
    song.file.write_text(song.file.read_text() + "[target]\nlevel_db = -20.0\n")


def _renamed(song: Song, stage: Stage) -> None:
    _up_to_date(song, stage)
    (song.inbox / "part.wav").rename(song.inbox / "renamed.wav")


def _flac(song: Song, _stage: Stage) -> None:
    soundfile.write(song.inbox / "part.flac", sine(440, -30.0, SECONDS), 48_000, "PCM_24")
    song.rest("part.flac", 10.0)


def _taken(song: Song, _stage: Stage) -> None:
    _part(song, "part.wav")
    wavefile.write(song.outbox / "part.wav", sine(440, -12.0, SECONDS), 48_000, PCM_24)


SCENES: dict[str, tuple[Callable[[Song, Stage], None], tuple[str, ...], bool]] = {
    "fresh": (_fresh, (), True),
    "two stems, no outbox yet": (_two, ("--jobs", "1"), True),
    "two stems at once": (_two, ("--jobs", "2"), True),
    "re-bounced": (_rebounced, (), True),
    "trim 0": (_untrimmed, (), True),
    "copy altered by a person": (_altered, (), True),
    "float with a time stamp": (_stamped, (), True),
    "again": (_up_to_date, ("--again",), True),
    "one cut short": (_one_cut, ("--jobs", "1"), True),
    "another target": (_retargeted, (), True),
    "renamed": (_renamed, (), True),
    "FLAC": (_flac, (), True),
    "name taken by a person": (_taken, (), True),
    "fresh, no hard links": (_fresh, (), False),
    "re-bounced, no hard links": (_rebounced, (), False),
}


def scenes(bench: ProofContext, stage: Stage) -> Iterator[Scene]:
    """Set every scene, with the calm run that belongs to it."""
    for number, (name, (prepare, argv, links)) in enumerate(SCENES.items()):
        before = Song.made(bench.stager, bench.folder / f"scene{number}", TOML)
        prepare(before, stage)
        calm = Song(bench.stager, bench.folder / f"calm{number}")
        shutil.copytree(before.folder, calm.folder, symlinks=True)
        originals = tree(calm.inbox)
        assert stage(calm, argv, links) in {0, 1}
        assert tree(calm.inbox) == originals
        copies = frozenset(copies_in(before.settled() if before.outbox.is_dir() else {}) | copies_in(calm.settled()))
        yield Scene(name, before, argv, links, copies, calm.settled(), tuple(wrongs(before, copies)))
