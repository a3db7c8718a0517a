"""What is true of two hundred invented pairs of stems, written apart from any detector and without the package's code.

`pairs(seed, count)` gives them one by one; each depends on its seed and its number alone. A detector may be tuned on
`TUNING_SEEDS`, and never on `PROOF_SEED`. To write some as files, with the truth about each as a line of JSON:
`python -m tests.prove.pairs_truth --seed 1 --count 20 --into DIR`.
"""

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from tests.prove import pairs_playing as playing
from tests.prove import pairs_sound as sound
from tests.prove.pairs_playing import Array, Body, Instrument, Note, Rng
from tests.support import wavefile
from tests.support.wavefile import FLOAT, PCM_24, Kind

PROOF_SEED: Final = 707_070
"""The seed of the proof; nothing is tuned on it."""
TUNING_SEEDS: Final = range(1, 61)
"""Seeds to tune a detector on."""
RATES_HZ: Final = (44_100, 48_000)
MAX_SHIFT_S: Final = 0.050
FILTER_MS: Final = 1.5
"""What an equaliser, a cabinet or a room may add to a lag by their own delay: own figure, above those drawn here."""
NAMES: Final = ("ember", "quarry", "lantern", "heron", "saltwort", "juniper", "tallow", "marram", "cinder", "thistle")
"""Invented names for copies that do not say what they are copies of."""


@dataclass(frozen=True)
class Pair:
    """Two stems and the truth about them.

    `first` and `second` are (frames, channels). `truth` is `copy` (the same samples by whatever road), `same_take` (one
    performance heard by two microphones or lines), `two_performances` or `unrelated`. `lag_ms` says how much later the
    second is: of all, or the median over the notes; `lag_tolerance_ms` is None where nobody can ask for that figure.
    A resampled copy moves on by `drift_ms_per_s` from `lag_ms` at its start. `spread_ms` is the standard deviation of
    the notes' lags, None where there are none. `gain_db` and `flipped` are of the second against the first.
    """

    name: str
    kind: str
    truth: str
    first: Array
    second: Array
    rate_hz: int
    format: Kind
    instrument: str
    stems: tuple[str, str] = ("", "")
    lag_ms: float | None = None
    lag_tolerance_ms: float | None = None
    drift_ms_per_s: float = 0.0
    spread_ms: float | None = None
    gain_db: float = 0.0
    flipped: bool = False

    def told(self) -> dict[str, Any]:
        """Return the truth without the samples, for a line of JSON."""
        left_out = {"first", "second", "format"}
        told = {key: value for key, value in vars(self).items() if key not in left_out}
        return {**told, "format": self.format.name, "channels": self.first.shape[1]}


@dataclass(frozen=True)
class Scene:
    """What a pair is made in: its own chance, rate, length, instrument and the notes as they are written."""

    rng: Rng
    rate_hz: int
    frames: int
    instrument: Instrument
    body: Body
    notes: tuple[Note, ...] = field(repr=False)

    @property
    def form(self) -> tuple[int, int]:
        """Rate in Hz and frames."""
        return self.rate_hz, self.frames

    def perform(self, notes: tuple[Note, ...]) -> Array:
        """Play these notes once, (radiators, frames)."""
        return playing.played(self.rng, self.instrument, self.body, notes, self.form)

    def take(self) -> Array:
        """One performance as a file of one or two channels, with the noise of its room, (frames, channels)."""
        notes = playing.by_hand(self.rng, self.notes, 0.008, 1.5)
        return sound.recorded(self.rng, self.perform(notes), int(self.rng.integers(1, 3)))

    def shift_s(self) -> float:
        """Choose a shift; one in five is none."""
        return 0.0 if self.rng.random() < 0.2 else float(self.rng.uniform(0.0, MAX_SHIFT_S))


Made = tuple[str, Array, Array, dict[str, Any]]
Maker = Callable[[Scene], Made]


def _copied(scene: Scene, second: Array, first: Array, shift_frames: float, tolerance_ms: float, **more: Any) -> Made:
    late = sound.delayed(second, shift_frames)
    frame_ms = 1000.0 / scene.rate_hz
    told = {"lag_ms": shift_frames * frame_ms, "lag_tolerance_ms": max(tolerance_ms, frame_ms), **more}
    return "copy", first, late, told


def whole(scene: Scene) -> Made:
    """A copy, moved by whole frames or not at all."""
    first = scene.take()
    return _copied(scene, first, first, float(round(scene.shift_s() * scene.rate_hz)), 0.0)


def fraction(scene: Scene) -> Made:
    """A copy moved by frames and a part of one."""
    first = scene.take()
    return _copied(scene, first, first, scene.rng.uniform(0.0, MAX_SHIFT_S) * scene.rate_hz, 0.0)


def filtered(scene: Scene) -> Made:
    """A copy through an equaliser, a low cut or a high cut; its lag is the filter's business too."""
    first = scene.take()
    made = sound.toned(scene.rng, first, scene.rate_hz, scene.instrument.name)
    return _copied(scene, made, first, scene.shift_s() * scene.rate_hz, FILTER_MS)


def gained(scene: Scene) -> Made:
    """A copy at another level."""
    first, gain_db = scene.take(), float(scene.rng.uniform(-20.0, 12.0))
    made = first * 10 ** (gain_db / 20)
    return _copied(scene, made, first, float(round(scene.shift_s() * scene.rate_hz)), 0.0, gain_db=gain_db)


def flipped(scene: Scene) -> Made:
    """A copy with its polarity turned over."""
    first = scene.take()
    return _copied(scene, -first, first, float(round(scene.shift_s() * scene.rate_hz)), 0.0, flipped=True)


def resampled(scene: Scene) -> Made:
    """A copy that runs faster or slower by 0.1 %: its lag is a straight line in time."""
    first, per_mille = scene.take(), int(scene.rng.choice([-1, 1]))
    made = sound.stretched(first, 1000 + per_mille, 1000)[: scene.frames]
    told = {"lag_tolerance_ms": None, "drift_ms_per_s": float(per_mille)}
    return _copied(scene, made, first, float(round(scene.shift_s() * scene.rate_hz)), 0.0, **told)


def roomed(scene: Scene) -> Made:
    """A copy with a room added to it."""
    first = scene.take()
    made = sound.with_room(scene.rng, first, scene.rate_hz, scene.rng.uniform(-16.0, -6.0))
    return _copied(scene, made, first, float(round(scene.shift_s() * scene.rate_hz)), FILTER_MS)


def combined(scene: Scene) -> Made:
    """A copy that was moved, turned over or not, set to another level, equalised and put into a little room."""
    first, gain_db = scene.take(), float(scene.rng.uniform(-12.0, 6.0))
    over = bool(scene.rng.random() < 0.5)
    made = sound.toned(scene.rng, first, scene.rate_hz, scene.instrument.name)
    made = sound.with_room(scene.rng, made, scene.rate_hz, scene.rng.uniform(-20.0, -12.0))
    made *= (-1.0 if over else 1.0) * 10 ** (gain_db / 20)
    return _copied(scene, made, first, scene.shift_s() * scene.rate_hz, FILTER_MS, gain_db=gain_db, flipped=over)


def triggered(scene: Scene) -> Made:
    """One sample triggered twice by the same notes."""
    first = _triggered(scene, tuple(note.strength for note in scene.notes))
    return _copied(scene, first, first, float(round(scene.shift_s() * scene.rate_hz)), 0.0)


def triggered_other_strength(scene: Scene) -> Made:
    """One sample triggered twice by the same notes, each hit with another strength."""
    first = _triggered(scene, tuple(note.strength for note in scene.notes))
    second = _triggered(scene, tuple(note.strength * 10 ** (scene.rng.normal(0.0, 2.5) / 20) for note in scene.notes))
    return _copied(scene, second, first, float(round(scene.shift_s() * scene.rate_hz)), 0.0)


def _triggered(scene: Scene, strengths: tuple[float, ...]) -> Array:
    """Place one hit at every note; the hit itself depends on the instrument alone."""
    rng = np.random.default_rng(round(1e6 * scene.notes[0].pitch_hz) + len(scene.notes))
    hit_frames = round(0.7 * scene.rate_hz)
    hit = playing.played(rng, scene.instrument, scene.body, (Note(0.0, 0.4, 110.0, 1.0),), (scene.rate_hz, hit_frames))
    out = np.zeros(scene.frames)
    for note, strength in zip(scene.notes, strengths, strict=True):
        at = round(note.onset_s * scene.rate_hz)
        n = min(hit_frames, scene.frames - at)
        out[at : at + n] += strength * hit.sum(axis=0)[:n]
    return out[:, None] / np.abs(out).max()


def _twice(scene: Scene, jitter_ms: float, offset_ms: float) -> Made:
    """Play one part twice: the second hand follows the first with this offset and this jitter."""
    notes = playing.by_hand(scene.rng, scene.notes, 0.008, 1.5)
    moved = tuple(Note(n.onset_s + offset_ms / 1000, n.length_s, n.pitch_hz, n.strength) for n in notes)
    again = playing.by_hand(scene.rng, moved, jitter_ms / 1000, 1.5)
    lags = [1000 * (b.onset_s - a.onset_s) for a, b in zip(notes, again, strict=True)]
    channels = int(scene.rng.integers(1, 3))
    first, second = (sound.recorded(scene.rng, scene.perform(played), channels) for played in (notes, again))
    told = {"lag_ms": float(np.median(lags)), "spread_ms": float(np.std(lags)), "lag_tolerance_ms": None}
    return "two_performances", first, second, told


def tightest(scene: Scene) -> Made:
    """One part played twice as tight as hands ever are: half a millisecond."""
    return _twice(scene, 0.5, 0.0)


def tight(scene: Scene) -> Made:
    """One part played twice, tight."""
    return _twice(scene, float(np.exp(scene.rng.uniform(np.log(0.7), np.log(4.0)))), scene.rng.uniform(-3.0, 3.0))


def loose(scene: Scene) -> Made:
    """One part played twice as most do it."""
    return _twice(scene, scene.rng.uniform(4.0, 30.0), scene.rng.uniform(-12.0, 12.0))


def microphones(scene: Scene) -> Made:
    """Two microphones before one performance, one of them farther away."""
    take = scene.perform(playing.by_hand(scene.rng, scene.notes, 0.008, 1.5))
    lag_s = float(np.exp(scene.rng.uniform(np.log(0.0001), np.log(0.015))))
    room_db = np.array([scene.rng.uniform(-24.0, -14.0), scene.rng.uniform(-16.0, -8.0)])
    near, far = (sound.microphone(scene.rng, take, scene.rate_hz, db) for db in room_db)
    told = {"lag_ms": 1000 * lag_s, "lag_tolerance_ms": FILTER_MS}
    return "same_take", near, sound.delayed(far, lag_s * scene.rate_hz), told


def line_and_amp(scene: Scene) -> Made:
    """The line of an instrument, and the microphone before the amplifier that it drives."""
    take = scene.perform(playing.by_hand(scene.rng, scene.notes, 0.008, 1.5)).sum(axis=0)[:, None]
    lag_s = scene.rng.uniform(0.0001, 0.004)
    line = take + sound.hiss(scene.rng, take.shape, scene.rng.uniform(-85.0, -70.0))
    amp = sound.amplifier(scene.rng, take, scene.rate_hz)
    told = {"lag_ms": 1000 * lag_s, "lag_tolerance_ms": FILTER_MS}
    return "same_take", line, sound.delayed(amp, lag_s * scene.rate_hz), told


def left_and_right(scene: Scene) -> Made:
    """The two files of one stereo recording: microphones side by side, or the two sides of a bounce."""
    take = scene.perform(playing.by_hand(scene.rng, scene.notes, 0.008, 1.5))
    lag_s = 0.0 if scene.rng.random() < 0.4 else scene.rng.uniform(0.0, 0.001)
    room_db = scene.rng.uniform(-18.0, -8.0)
    left, right = (sound.microphone(scene.rng, take, scene.rate_hz, room_db) for _ in range(2))
    told = {"lag_ms": 1000 * lag_s, "lag_tolerance_ms": FILTER_MS}
    return "same_take", left, sound.delayed(right, lag_s * scene.rate_hz), told


def unrelated(scene: Scene) -> Made:
    """Two parts of one song, in one key and tempo, with other notes."""
    song = playing.setting(scene.rng)
    parts = [playing.part(scene.rng, scene.instrument, song, scene.frames / scene.rate_hz) for _ in range(2)]
    takes = [scene.perform(playing.by_hand(scene.rng, notes, 0.008, 1.5)) for notes in parts]
    first, second = (sound.recorded(scene.rng, take, 1) for take in takes)
    return "unrelated", first, second, {}


STRUNG: Final = (playing.PLUCKED, playing.BASS, playing.PLUCKED)
HIT: Final = (playing.DRUM, playing.DRUM, playing.SHAKER)
ACOUSTIC: Final = (*playing.MELODIC, playing.DRUM)
PLAN: Final[tuple[tuple[str, Maker, tuple[Instrument, ...]], ...]] = (
    ("whole frames", whole, playing.ALL),
    ("played twice, 0.5 ms", tightest, playing.MELODIC),
    ("part of a frame", fraction, playing.ALL),
    ("two microphones", microphones, ACOUSTIC),
    ("filtered", filtered, playing.ALL),
    ("played twice, tight", tight, playing.MELODIC),
    ("gain", gained, playing.ALL),
    ("line and amp", line_and_amp, STRUNG),
    ("flipped", flipped, playing.ALL),
    ("pads twice", loose, (playing.PAD,)),
    ("resampled", resampled, playing.ALL),
    ("left and right", left_and_right, ACOUSTIC),
    ("room added", roomed, playing.ALL),
    ("played twice, loose", loose, playing.MELODIC),
    ("combined", combined, playing.ALL),
    ("hits twice", tight, HIT),
    ("triggered", triggered, (playing.DRUM,)),
    ("unrelated", unrelated, playing.MELODIC),
    ("triggered, other strength", triggered_other_strength, (playing.DRUM,)),
    ("hits twice, 0.5 ms", tightest, HIT),
)
"""Each pair's kind in turn, who makes it, and the instruments that may play it."""


def pairs(seed: int, count: int) -> Iterator[Pair]:
    """Yield so many pairs of a seed."""
    for number in range(count):
        yield pair(seed, number)


def pair(seed: int, number: int) -> Pair:
    """Return one pair of a seed."""
    rng = np.random.default_rng((seed, number))
    kind, maker, instruments = PLAN[number % len(PLAN)]
    instrument = instruments[(number + number // len(PLAN)) % len(instruments)]
    rate_hz, seconds = int(rng.choice(RATES_HZ)), rng.uniform(8.0, 20.0)
    notes = playing.part(rng, instrument, playing.setting(rng), seconds)
    scene = Scene(rng, rate_hz, round(seconds * rate_hz), instrument, playing.body(rng, instrument), notes)
    truth, first, second, told = maker(scene)
    file_kind: Kind = (PCM_24, FLOAT)[rng.integers(2)]
    first, second = sound.levelled(rng, first, second)
    made = Pair(f"p{number:03d}", kind, truth, first, second, rate_hz, file_kind, instrument.name, **told)
    return _named(rng, made)


def _named(rng: Rng, made: Pair) -> Pair:
    """Name the two files; half of the copies hide under names that have nothing in common, and any may come first."""
    ends = ("L", "R") if made.kind == "left and right" else ("a", "b")
    stems = tuple(f"{made.name}_{end}.wav" for end in ends)
    if made.truth == "copy" and rng.random() < 0.5:
        stems = (f"{made.name}_a.wav", f"{rng.choice(NAMES)}{rng.choice(NAMES)} {made.name[::-1]}.wav")
    turned = (stems[1], stems[0]) if made.kind != "left and right" and rng.random() < 0.5 else (stems[0], stems[1])
    return Pair(**{**vars(made), "stems": turned})


def written(made: Pair, folder: Path) -> dict[str, Any]:
    """Write both stems of a pair, and give what is true of them."""
    for name, samples in zip(made.stems, (made.first, made.second), strict=True):
        wavefile.write(folder / name, samples, made.rate_hz, made.format)
    return made.told()


def main() -> int:
    """Write pairs as files, and print what is true of each as a line of JSON."""
    parser = argparse.ArgumentParser(prog="python -m tests.prove.pairs_truth", description=__doc__)
    parser.add_argument("--seed", type=int, required=True, help=f"{TUNING_SEEDS.start} to {TUNING_SEEDS.stop - 1}")
    parser.add_argument("--count", type=int, default=len(PLAN))
    parser.add_argument(
        "--into", type=Path, default=None, help="a folder; one of its own in the temporary folder if not"
    )
    options = parser.parse_args()
    folder = options.into or Path(tempfile.mkdtemp(prefix=f"pairs-{options.seed}-"))
    folder.mkdir(parents=True, exist_ok=True)
    sys.stderr.write(f"{folder}\n")
    with (folder / "truth.jsonl").open("w", encoding="utf-8") as lines:
        for made in pairs(options.seed, options.count):
            line = json.dumps(written(made, folder))
            print(line, flush=True)
            lines.write(line + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
