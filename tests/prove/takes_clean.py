"""Sounds without damage: as they are, and those that only look as if they were clipped or had lost samples."""

from collections.abc import Callable
from typing import Final

import numpy as np

from tests.prove.takes_faults import NOT_AGAIN, Array, Made, stored, top_of
from tests.prove.takes_sounds import SOUNDS, Rng, drum, normal
from tests.support.wavefile import PCM_16, Kind

USABLE: Final = frozenset({"usable"})
LOOSE_KINDS: Final = ("driven", "squareish")
"""Of these kinds a judge may say "listen"."""
Look = Callable[[Rng, str, int, int, float, Kind], Array]


def spread(rng: Rng, mono: Array, rate_hz: int, kind_of_sound: str) -> Array:
    """Lay a sound out over one or two channels, with the noise of the room where it was played in one."""
    if rng.random() < 0.6:
        made = mono[:, None]
    else:
        late = int(rng.uniform(0.0, 0.003) * rate_hz) if kind_of_sound == "natural" else 0
        other = np.concatenate((np.zeros(late), mono))[: len(mono)]
        made = np.column_stack((mono, rng.uniform(0.4, 1.0) * other))[:, :: rng.choice([-1, 1])]
    if kind_of_sound == "natural":
        return made + room(rng, made.shape, rng.uniform(-85.0, -60.0))
    return made.copy()


def room(rng: Rng, shape: tuple[int, ...], level_dbfs: float) -> Array:
    """Return the noise of a room: darker than white, another in each channel; RMS in dBFS (AES17)."""
    white = rng.standard_normal((shape[0] + 1, shape[1]))
    dark = white[1:] + 0.8 * white[:-1]
    return 10 ** (level_dbfs / 20) / np.sqrt(2) * dark / dark.std()


def _make(rng: Rng, name: str, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    sound = SOUNDS[name]
    return spread(rng, sound.make(rng, rate_hz, frames, pitch_hz), rate_hz, sound.kind)


def _to_top(made: Array, kind: Kind) -> Array:
    return made * top_of(kind) / np.abs(made).max()


def plain(rng: Rng, name: str, rate_hz: int, frames: int, pitch_hz: float, kind: Kind) -> Array:
    """A sound well recorded, hot or low."""
    made = _make(rng, name, rate_hz, frames, pitch_hz)
    return stored(made * 10 ** (-rng.uniform(0.3, 30.0) / 20) / np.abs(made).max(), kind)


def to_the_top(rng: Rng, name: str, rate_hz: int, frames: int, pitch_hz: float, kind: Kind) -> Array:
    """A sound normalised: its highest peak, or every peak of an even tone, is the top code."""
    return stored(_to_top(_make(rng, name, rate_hz, frames, pitch_hz), kind), kind)


def whole_periods(rng: Rng, _name: str, rate_hz: int, frames: int, pitch_hz: float, kind: Kind) -> Array:
    """A test tone with a whole number of samples to the period, so that all its peaks are one code."""
    period = max(5, round(rate_hz / pitch_hz))
    tone = np.sin(2 * np.pi * (np.arange(frames) / period + rng.choice([0.0, 0.25, rng.uniform()])))
    return stored(_to_top(tone[:, None], kind) * rng.choice([1.0, 1.0, 0.5, 0.966]), kind)


def bass_on_top(rng: Rng, _name: str, rate_hz: int, frames: int, _pitch_hz: float, _kind: Kind) -> Array:
    """A low sine whose crest rests on one code of 16 bits, at full scale or far below it."""
    turns = rng.uniform(18.0, 60.0) * np.arange(frames) / rate_hz + rng.uniform()
    level = rng.choice([1.0, 1.0, 0.99, 10 ** (-rng.uniform(0.1, 24.0) / 20)])
    return stored(_to_top(np.sin(2 * np.pi * turns)[:, None], PCM_16) * level, PCM_16)


def below_the_top(rng: Rng, name: str, rate_hz: int, frames: int, pitch_hz: float, kind: Kind) -> Array:
    """A sound exported to a ceiling that people like: a hair under full scale."""
    made = _to_top(_make(rng, name, rate_hz, frames, pitch_hz), kind)
    return stored(made * 10 ** (-rng.choice([0.1, 0.3, 1.0, 3.0, 6.0]) / 20), kind)


def same_hit(rng: Rng, _name: str, rate_hz: int, frames: int, pitch_hz: float, kind: Kind) -> Array:
    """One stored drum hit played again and again: its highest sample comes back exactly."""
    step = round(rng.uniform(0.15, 0.4) * rate_hz)
    hit = normal(drum(rng, rate_hz, max(step, rate_hz // 4), float(np.clip(pitch_hz, 40, 400))))[:step]
    made = np.tile(hit, frames // step + 1)[:frames, None]
    return stored(_to_top(made, kind) * rng.choice([1.0, 0.966, rng.uniform(0.2, 0.9)]), kind)


def gated(rng: Rng, name: str, rate_hz: int, frames: int, pitch_hz: float, kind: Kind) -> Array:
    """A part with digital silence between phrases, the gate opening and closing within a few milliseconds."""
    made, gain = _make(rng, name, rate_hz, frames, pitch_hz), np.ones(frames)
    for start in np.arange(rng.uniform(0.1, 0.4), frames / rate_hz - 0.3, rng.uniform(0.4, 0.8)):
        gain[int(start * rate_hz) : int((start + rng.uniform(0.08, 0.3)) * rate_hz)] = 0.0
    n = max(1, round(rng.choice([0.001, 0.005, 0.02]) * rate_hz))
    smooth = np.maximum(0.0, np.convolve(gain, np.ones(n) / n, "same"))
    made *= np.where(smooth < 1e-9, 0.0, smooth)[:, None]
    return stored(0.5 * made / np.abs(made).max(), kind)


def edited(rng: Rng, name: str, rate_hz: int, frames: int, pitch_hz: float, kind: Kind) -> Array:
    """A part cut in its pauses: digital silence stands hard against the quiet noise of the room."""
    made = _make(rng, name, rate_hz, frames, pitch_hz)
    first, last = int(frames * rng.uniform(0.3, 0.45)), int(frames * rng.uniform(0.55, 0.7))
    fade = round(0.15 * rate_hz)
    gain = np.ones(frames)
    gain[first - fade : first] = np.linspace(1.0, 0.0, fade) ** 2
    gain[first:last] = 0.0
    gain[last : last + fade] = np.linspace(0.0, 1.0, fade) ** 2
    made = made * gain[:, None] / np.abs(made).max() + room(rng, made.shape, -75.0)
    made[first + rate_hz // 50 : last - rate_hz // 50] = 0.0
    return stored(0.6 * made, kind)


def faded(rng: Rng, name: str, rate_hz: int, frames: int, pitch_hz: float, kind: Kind) -> Array:
    """A part that comes in from nothing and goes back to it, through the lowest codes."""
    made = _make(rng, name, rate_hz, frames, pitch_hz)
    shape = np.minimum(np.arange(frames), np.arange(frames)[::-1]) / (frames * rng.uniform(0.1, 0.5))
    return stored(0.7 * made / np.abs(made).max() * np.minimum(1.0, shape)[:, None] ** 3, kind)


def stopped(rng: Rng, name: str, rate_hz: int, frames: int, pitch_hz: float, kind: Kind) -> Array:
    """A synthesiser's notes cut off at once, with digital silence before the next."""
    made = SOUNDS[name].make(rng, rate_hz, frames, pitch_hz)[:, None]
    step, on = round(rng.uniform(0.3, 0.6) * rate_hz), rng.uniform(0.4, 0.7)
    made *= (np.arange(frames) % step < on * step)[:, None]
    return stored(0.6 * made / np.abs(made).max(), kind)


NATURAL: Final = ("plucked", "bowed", "drum", "bell", "sung")
SYNTHETIC: Final = ("sine", "saw", "fm", "pad", "sub")
DRIVEN: Final = ("amp soft", "amp hard", "fuzz", "saturated", "limited")
SQUAREISH: Final = ("square", "pulse", "crushed")
LOOKS: Final[tuple[tuple[str, Look, tuple[str, ...]], ...]] = (
    ("one peak at the top", to_the_top, NATURAL),
    ("even tone to the top", to_the_top, SYNTHETIC),
    ("whole periods", whole_periods, ("sine",)),
    ("bass on one code", bass_on_top, ("sub",)),
    ("square-ish at the top", to_the_top, SQUAREISH),
    ("square-ish below", below_the_top, SQUAREISH),
    ("driven to the top", to_the_top, DRIVEN),
    ("driven below", below_the_top, DRIVEN),
    ("export below the top", below_the_top, NATURAL + SYNTHETIC),
    ("one hit again and again", same_hit, ("drum",)),
    ("gated", gated, NATURAL + DRIVEN),
    ("edited in silence", edited, NATURAL),
    ("faded", faded, NATURAL + SYNTHETIC),
    ("cut off at once", stopped, SYNTHETIC + SQUAREISH),
)
"""What only looks like damage: its name, how it is made, and of which sounds."""


def accepted(name: str) -> frozenset[str]:
    """Return the verdicts that damage may have on a clean sound of this name."""
    return NOT_AGAIN if SOUNDS[name].kind in LOOSE_KINDS else USABLE


def clean(samples: Array, variant: str, name: str) -> Made:
    """Return a case in which nothing is wrong with these samples."""
    return Made(samples, variant, None, accepted(name))
