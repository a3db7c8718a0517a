"""Sets of stems that have one thing the matter, and near misses that have not, as whoever gets them would see it.

Every set is five parts of one invented song, made by numpy and written by `wavefile`; no code under test is in reach.
What a set has the matter is arithmetic: rates, depths, frames, time stamps, peaks, names.
"""

import struct
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.support import signals
from tests.support.reference_levels import linear
from tests.support.song import Song, SongMaker
from tests.support.wavefile import FLOAT, PCM_16, PCM_24, PCM_24_EXTENSIBLE, Chunks, Kind

Array = NDArray[Any]
RATE: Final = 48_000
SECONDS: Final = 3.0
PARTS: Final = ("oar_drum.wav", "reed_organ.wav", "hand_bells.wav", "low_voice.wav", "salt_harp.wav")
PEAKS_DBFS: Final = (-4.3, -9.1, -7.7, -12.4, -6.2)
FACTS: Final = frozenset({"length_differs", "padded_bits"})
"""Codes that are facts without a fault, and so `usable`."""
BEXT_FIXED_BYTES: Final = 602
TIME_REFERENCE_AT: Final = 338
"""EBU Tech 3285, clause 2.3: 256 + 32 + 32 + 10 + 8 bytes of text stand before the 64-bit time reference."""


@dataclass(frozen=True)
class Stem:
    """One file of a set: `peak_dbfs` is its sample peak; `grid_bits` the integer grid that its samples are laid on."""

    name: str
    seed: int
    peak_dbfs: float
    rate_hz: int = RATE
    seconds: float = SECONDS
    kind: Kind = PCM_24
    grid_bits: int | None = None
    start_s: float | None = None
    cut_dbfs: float | None = None
    sides: int = 1
    factor: float = 1.0

    def samples(self) -> Array:
        """Make its samples, (frames, sides): a few tones that come and go over noise, with one highest sample."""
        rng, frames = np.random.default_rng(self.seed), round(self.seconds * self.rate_hz)
        t = np.arange(frames) / self.rate_hz
        out = 0.05 * rng.standard_normal(frames)
        for hz, swell_hz in zip(rng.uniform(80.0, 1_500.0, 4), rng.uniform(0.5, 2.0, 4), strict=True):
            swell = 0.6 + 0.4 * np.sin(2 * np.pi * swell_hz * t)
            out += rng.uniform(0.3, 1.0) * swell * np.sin(2 * np.pi * hz * t)
        out = signals.faded(out, 200)
        out *= linear(self.peak_dbfs) / np.abs(out).max()
        if self.cut_dbfs is not None:
            out = np.clip(out, -linear(self.cut_dbfs), linear(self.cut_dbfs))
        if self.grid_bits:
            top = 2.0 ** (self.grid_bits - 1)
            out = np.rint(out * top) / top
        return np.repeat(self.factor * out[:, None], self.sides, axis=1)

    def chunks(self) -> dict[str, Chunks]:
        """Return the broadcast extension with its time stamp, where it has one."""
        if self.start_s is None:
            return {}
        bext = bytearray(BEXT_FIXED_BYTES)
        struct.pack_into("<Q", bext, TIME_REFERENCE_AT, round(self.start_s * self.rate_hz))
        struct.pack_into("<H", bext, TIME_REFERENCE_AT + 8, 1)
        return {"before": [(b"bext", bytes(bext))]}

    def put(self, song: Song) -> None:
        """Write it into a song's inbox."""
        song.put(self.name, self.samples(), self.rate_hz, self.kind, **self.chunks())


@dataclass(frozen=True)
class Case:
    """A set that has something the matter, the stems that it is about, and a near miss of the same five parts.

    `word` is one that the sentence must have, where the code alone does not say which of two things it is; `codes` are
    the codes that may say it. `toml` and `near_toml` are added to the project file.
    """

    name: str
    codes: tuple[str, ...]
    stems: tuple[Stem, ...]
    about: frozenset[str]
    near: tuple[Stem, ...]
    word: str = ""
    toml: str = ""
    near_toml: str = ""

    def song(self, make_song: SongMaker, toml: str = "") -> Song:
        """Make the project that has it."""
        return made(make_song, self.stems, toml + self.toml, "has")

    def near_song(self, make_song: SongMaker) -> Song:
        """Make the project of the near miss."""
        return made(make_song, self.near, self.near_toml, "near")


def made(make_song: SongMaker, stems: tuple[Stem, ...], toml: str = "", name: str = "song") -> Song:
    """Make a project of these stems."""
    song = make_song(toml, name=name)
    for stem in stems:
        stem.put(song)
    return song


def parts(**changes: Any) -> tuple[Stem, ...]:
    """Return five sound parts, with these changes to each."""
    made = (Stem(name, 40 + k, peak) for k, (name, peak) in enumerate(zip(PARTS, PEAKS_DBFS, strict=True)))
    return tuple(replace(stem, **changes) for stem in made)


def one_other(place: int, stems: tuple[Stem, ...] | None = None, **changes: Any) -> tuple[Stem, ...]:
    """Return the five parts with changes to one of them."""
    found = list(stems or parts())
    found[place] = replace(found[place], **changes)
    return tuple(found)


def _normalised(peak_dbfs: float, **changes: Any) -> tuple[Stem, ...]:
    return tuple(replace(stem, peak_dbfs=peak_dbfs) for stem in parts(**changes))


def _limited(*cuts_dbfs: float) -> tuple[Stem, ...]:
    """Return parts driven into a flat ceiling, each 4 dB over its own."""
    return tuple(replace(stem, peak_dbfs=cut + 4.0, cut_dbfs=cut) for stem, cut in zip(parts(), cuts_dbfs, strict=True))


_stereo = partial(parts, sides=2, kind=FLOAT, grid_bits=24)
ALL: Final = frozenset(PARTS)
LINK: Final = '[[link]]\nname = "bells"\nmatch = ["hand_bells.wav", "hand_bells_far.wav"]\n'

CASES: Final = (
    Case(
        name="one stem at another rate; near: all at 44.1 kHz",
        codes=("rate_differs",),
        stems=one_other(1, rate_hz=44_100),
        about=frozenset({PARTS[1]}),
        near=parts(rate_hz=44_100),
    ),
    Case(
        name="one stem of 16 bits; near: one whose header has the long form",
        codes=("depth_differs",),
        stems=one_other(2, kind=PCM_16),
        about=frozenset({PARTS[2]}),
        near=one_other(2, kind=PCM_24_EXTENSIBLE),
    ),
    Case(
        name="one time stamp half a second later; near: the same moment, counted at another rate",
        codes=("start_differs",),
        stems=one_other(3, parts(start_s=3600.0), start_s=3600.5),
        about=frozenset({PARTS[3]}),
        near=one_other(3, parts(start_s=3600.0), rate_hz=44_100),
    ),
    Case(
        name="one stem half a second shorter; near: as many seconds, counted at another rate",
        codes=("length_differs",),
        stems=one_other(4, seconds=2.5),
        about=frozenset({PARTS[4]}),
        near=one_other(4, rate_hz=44_100),
    ),
    Case(
        name="16 bits in 24; near: a quiet part of 24 bits that never uses the high ones",
        codes=("padded_bits",),
        stems=one_other(0, grid_bits=16),
        about=frozenset({PARTS[0]}),
        near=one_other(0, peak_dbfs=-52.0),
    ),
    Case(
        name="all peaks at one figure; near: peaks a quarter of a dB apart",
        codes=("same_peak_everywhere",),
        stems=_normalised(-1.0),
        about=ALL,
        near=tuple(replace(stem, peak_dbfs=-1.0 - 0.25 * k) for k, stem in enumerate(parts())),
    ),
    Case(
        name="a name without a word for what plays; near: the same with one",
        codes=("name_unclear",),
        stems=one_other(0, name="Audio_01-2.wav"),
        about=frozenset({"Audio_01-2.wav"}),
        near=one_other(0, name="Oar_01-2.wav"),
    ),
    Case(
        name="a name that some systems refuse; near: one with every mark that none refuses",
        codes=("name_unclear",),
        stems=one_other(1, name="reed:organ?.wav"),
        about=frozenset({"reed:organ?.wav"}),
        near=one_other(1, name="reed-organ_2.b.wav"),
    ),
    Case(
        name="a link that waits for a member; near: both are there",
        codes=("link_incomplete",),
        stems=parts(),
        about=frozenset({PARTS[2]}),
        near=(*parts()[:4], replace(parts()[2], name="hand_bells_far.wav", seed=90, peak_dbfs=-11.0)),
        toml=LINK,
        near_toml=LINK,
    ),
    Case(
        name="flat tops at one level on all, a bus limiter; near: a limiter on each, at levels of their own",
        codes=("same_peak_everywhere",),
        stems=_limited(*(-0.5,) * 5),
        about=ALL,
        near=_limited(-0.5, -2.1, -1.3, -4.0, -2.9),
        word="limiter",
    ),
    Case(
        name="full-scale mono parts in stereo files at half level, a pan law; near: dual mono at levels of their own",
        codes=("same_peak_everywhere", "padded_bits"),
        stems=tuple(replace(stem, peak_dbfs=0.0, factor=0.5) for stem in _stereo()),
        about=ALL,
        near=_stereo(),
        word="pan law",
    ),
)


def told(document: dict[str, Any], case: Case) -> list[dict[str, Any]]:
    """Return the findings of a `check` that say what the case has the matter."""
    return [
        finding
        for finding in document["findings"]
        if finding["code"] in case.codes and case.word in finding["says"].casefold()
    ]
