"""A song of sixty long stems by numpy alone, for the proof of what a check of it costs: parts, doubles, copies, a kit.

Each part is a score of notes from a bank of its own; a second performance has the same score, other places in time,
and a bank of the same pitches whose phases and strokes are drawn anew.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.support import wavefile
from tests.support.wavefile import PCM_24

Array = NDArray[Any]
Rng = np.random.Generator
RATE_HZ: Final = 48_000
NOTE_S: Final = 1.5
PITCHES: Final = 12
PARTS: Final = 24
DOUBLES: Final = 10
COPIES: Final = 4
KIT: Final = ("kick", "snare", "hat", "rack", "floor", "over_L", "over_R", "room")
STEMS: Final = PARTS + 2 * DOUBLES + 2 * COPIES + len(KIT)
WORDS: Final = ("ember", "quarry", "lantern", "heron", "juniper", "tallow", "marram", "cinder", "thistle", "saltwort")
"""Invented names of parts."""


@dataclass(frozen=True)
class Score:
    """What is played: places in s, which pitch of the bank, and how strong, all (notes,)."""

    at_s: Array
    pitch: Array
    strength: Array
    lowest_hz: float


def score(rng: Rng, seconds: float) -> Score:
    """Write a part in phrases of four seconds, some of which are left out."""
    beat_s = float(rng.uniform(0.2, 0.5))
    grid = np.arange(1.0, seconds - NOTE_S - 1.0, beat_s)
    plays = (rng.random(int(seconds // 4) + 1) < 0.7)[(grid // 4).astype(int)] & (rng.random(len(grid)) < 0.8)
    at_s = grid[plays]
    pitch = rng.integers(0, PITCHES, len(at_s))
    return Score(at_s, pitch, rng.uniform(0.4, 1.0, len(at_s)), float(rng.uniform(60.0, 400.0)))


def bank(rng: Rng, lowest_hz: float) -> Array:
    """Return one note of each pitch, (pitches, frames): partials that die away, and a stroke."""
    t = np.arange(round(NOTE_S * RATE_HZ)) / RATE_HZ
    notes = []
    for pitch in range(PITCHES):
        hz = lowest_hz * 2 ** (pitch / PITCHES) * 2 ** (rng.normal(0.0, 3.0) / 1200)
        tone = sum(
            rng.uniform(0.5, 1.0) / k * np.sin(2 * np.pi * (k * hz * t + rng.random())) * np.exp(-t * (2.0 + 0.5 * k))
            for k in range(1, 9)
        )
        stroke = 0.4 * rng.normal(size=len(t)) * np.exp(-t * 80.0)
        notes.append((tone + stroke) * np.minimum(1.0, t / 0.002) * np.minimum(1.0, (NOTE_S - t) / 0.05))
    return np.asarray(notes, np.float32)


def performed(rng: Rng, written: Score, notes: Array, seconds: float) -> Array:
    """Play a score once by a hand that is off by 8 ms, (frames,)."""
    out = np.zeros(round(seconds * RATE_HZ), np.float32)
    for at_s, pitch, strength in zip(written.at_s, written.pitch, written.strength, strict=True):
        first = round((at_s + rng.normal(0.0, 0.008)) * RATE_HZ)
        out[first : first + notes.shape[1]] += np.float32(strength * rng.uniform(0.85, 1.15)) * notes[pitch]
    return out


def _stereo(rng: Rng, mono: Array) -> Array:
    """Return two sides that differ a little in level and time, with their own noise, their peak at -9 dBFS or so."""
    side = np.roll(mono, 7) * np.float32(rng.uniform(0.6, 0.95))
    both = np.stack([mono, side], axis=1)
    both += np.float32(1e-4) * rng.standard_normal(both.shape, dtype=np.float32)
    return both * np.float32(0.35 / np.abs(both).max())


def stems(seed: int, seconds: float) -> Iterator[tuple[str, Array]]:
    """Yield `STEMS` stems of this length, one after the other: a name, and samples of (frames, 2)."""
    rng = np.random.default_rng(seed)
    for number in range(PARTS):
        written = score(rng, seconds)
        played = performed(rng, written, bank(rng, written.lowest_hz), seconds)
        yield f"{WORDS[number % len(WORDS)]}{WORDS[number // len(WORDS)]}.wav", _stereo(rng, played)
    for number in range(DOUBLES):
        written = score(rng, seconds)
        for end in ("", "_double"):
            played = performed(rng, written, bank(rng, written.lowest_hz), seconds)
            yield f"voice{chr(97 + number)}{end}.wav", _stereo(rng, played)
    for number in range(COPIES):
        written = score(rng, seconds)
        first = _stereo(rng, performed(rng, written, bank(rng, written.lowest_hz), seconds))
        yield f"reed{chr(97 + number)}.wav", first
        yield f"{WORDS[-1 - number]} far.wav", 0.5 * np.roll(first, 500 * (number + 1), axis=0)
    yield from _kit(rng, seconds)


def doubles() -> list[frozenset[str]]:
    """Return the names of each two stems that are one part played twice."""
    return [frozenset({f"voice{chr(97 + n)}.wav", f"voice{chr(97 + n)}_double.wav"}) for n in range(DOUBLES)]


def copies() -> list[frozenset[str]]:
    """Return the names of each two stems of which one is a copy of the other."""
    return [frozenset({f"reed{chr(97 + n)}.wav", f"{WORDS[-1 - n]} far.wav"}) for n in range(COPIES)]


def first_name() -> str:
    """Return the name of the first part."""
    return f"{WORDS[0]}{WORDS[0]}.wav"


def _kit(rng: Rng, seconds: float) -> Iterator[tuple[str, Array]]:
    """Yield a kit: five sounds of one performance, heard by each microphone at other levels and delays."""
    written = [score(rng, seconds) for _ in range(5)]
    sounds = [performed(rng, each, bank(rng, each.lowest_hz), seconds) for each in written]
    for name in KIT:
        gains, late = rng.uniform(0.05, 1.0, len(sounds)), rng.integers(0, 400, len(sounds))
        heard = sum(np.float32(g) * np.roll(sound, n) for g, sound, n in zip(gains, sounds, late, strict=True))
        yield f"kit_{name}.wav", _stereo(rng, np.asarray(heard))


def write(inbox: Path, seed: int, seconds: float) -> list[str]:
    """Write the whole song as 24-bit files, and give the names."""
    names = []
    for name, samples in stems(seed, seconds):
        wavefile.write(inbox / name, samples, RATE_HZ, PCM_24)
        names.append(name)
    return names
