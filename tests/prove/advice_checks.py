"""Level checks and takes of invented players: what is played, what is no playing, and the noise, each known apart.

Nothing here comes from the package: sounds are made by numpy, levels by arithmetic on the samples.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Rng = np.random.Generator
RATE_HZ: Final = 16_000
SOUNDS: Final = ("struck", "plucked", "sung", "strummed")
EXTRAS: Final = ("nothing", "nothing", "bump", "cough", "count-in", "shout")
STEADY_SPREAD_DB: Final = 1.5
"""How far the strokes of a steady player differ."""
MOST_OVER_DB: Final = 12.0
"""How far the loudest moment goes over full scale at most; further, the stage ahead of a converter clips as well."""
STEADY_EVENTS: Final = 4
"""Fewer events are no steady playing."""


@dataclass(frozen=True)
class Check:
    """A player at a part: what they play and how loud, and what else is heard in their first take.

    `peak_dbfs` is that of the loudest stroke before any clipping, at an input gain of 0 dB; `spread_db` by how much
    strokes are softer than it at most.
    """

    name: str
    sound: str
    events: int
    seconds: float
    peak_dbfs: float
    spread_db: float
    noise_dbfs: float
    extra: str
    extra_db: float
    seed: tuple[int, ...]

    @property
    def is_steady(self) -> bool:
        """Whether the playing is even, and nothing else is heard."""
        return self.events >= STEADY_EVENTS and self.spread_db <= STEADY_SPREAD_DB and self.extra == "nothing"

    @property
    def is_bumped(self) -> bool:
        """Whether the loud moment is no playing, as the player knows."""
        return self.extra in ("bump", "cough")


def checks(seed: int, count: int) -> Iterator[Check]:
    """Yield the cases that are named below, then random ones, so many in all."""
    named = _named_checks()
    yield from named[:count]
    for number in range(count - len(named)):
        rng = np.random.default_rng((seed, 81, number))
        sound = SOUNDS[number % 4]
        extra, peak_dbfs = EXTRAS[number // 4 % len(EXTRAS)], float(rng.uniform(-36.0, 6.0))
        yield Check(
            name=f"{seed}-{number:04d} {sound} with {extra}",
            sound=sound,
            events=int(rng.choice([1, 1, 2, 3, 4, 6, 8, 12, 20])),
            seconds=float(rng.uniform(6.0, 14.0)),
            peak_dbfs=peak_dbfs,
            spread_db=float(rng.choice([1.0, 1.5, 6.0, 12.0])),
            noise_dbfs=float(rng.uniform(-90.0, -50.0)),
            extra=extra,
            extra_db=min(float(rng.uniform(3.0, 20.0)), MOST_OVER_DB - peak_dbfs),
            seed=(seed, 82, number),
        )


def _named_checks() -> list[Check]:
    """Return what people do to check a level: one kick in quiet, one bell, one pluck, a verse with one shout."""
    found = []
    for number, noise_dbfs in enumerate((-90.0, -70.0, -60.0, -50.0)):
        for name, sound, events, peak_dbfs, extra in (
            ("one kick in six seconds", "struck", 1, -3.0, "nothing"),
            ("one bell", "plucked", 1, -14.0, "nothing"),
            ("one pluck", "plucked", 1, -8.0, "nothing"),
            ("a verse with one shout", "sung", 12, -26.0, "shout"),
        ):
            seed = (7, len(found), number)
            found.append(Check(name, sound, events, 6.0, peak_dbfs, 1.0, noise_dbfs, extra, 14.0, seed))
    return found


def played(check: Check, turned_db: float, *, take: int = 0) -> tuple[Array, Array]:
    """Return one take through an input turned by so many dB: all that is heard before the converter, and the playing.

    Each number of a take is another performance of the same player; what is no playing is heard in the first alone.
    """
    rng = np.random.default_rng((*check.seed, take))
    frames = round(check.seconds * RATE_HZ)
    playing = _playing(check, rng, frames) * _linear(check.peak_dbfs)
    extra = _extra(check, rng, frames) * _linear(check.peak_dbfs) if take == 0 else np.zeros(frames)
    if check.extra in ("shout", "count-in"):
        playing, extra = playing + extra, np.zeros(frames)
    noise = rng.standard_normal(frames) * _linear(check.noise_dbfs) / np.sqrt(2.0)
    gain = _linear(turned_db)
    return gain * (playing + extra + noise), gain * playing


def recorded(heard: Array) -> Array:
    """Return what the converter makes of it: nothing passes full scale, and 24 bits are kept."""
    return np.clip(np.round(heard * 2.0**23) / 2.0**23, -1.0, 1.0 - 2.0**-23)[:, None]


def peak_dbfs(samples: Array) -> float:
    """Return the highest sample in dBFS."""
    return float(20.0 * np.log10(max(1e-9, np.abs(samples).max())))


def average_dbfs(samples: Array) -> float:
    """Return the average in dBFS of a sine, by the rule of BS.1770's gates on unweighted power: -70, then -10 dB."""
    hop = RATE_HZ // 10
    blocks = np.lib.stride_tricks.sliding_window_view((samples - samples.mean()) ** 2, 4 * hop)[::hop].mean(axis=1)
    loud = blocks[blocks > 0.5 * 10.0**-7.0]
    if not loud.size:
        return -np.inf
    kept = loud[loud > 0.1 * loud.mean()]
    return float(10.0 * np.log10(2.0 * kept.mean()))


def _linear(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))


def _playing(check: Check, rng: Rng, frames: int) -> Array:
    """Return the events at even distances, the loudest of which peaks at 1."""
    out, step = np.zeros(frames), (frames - RATE_HZ) / check.events
    strengths_db = -rng.uniform(0.0, check.spread_db, check.events)
    strengths_db[rng.integers(check.events)] = 0.0
    slot_s = min(step / RATE_HZ, 4.0) if check.sound in ("sung", "strummed") else 6.0
    for number, strength_db in enumerate(strengths_db):
        first = round(0.3 * RATE_HZ + number * step)
        event = _EVENTS[check.sound](rng, slot_s)
        event *= _linear(strength_db) / np.abs(event).max()
        length = min(len(event), frames - first)
        out[first : first + length] += event[:length]
    return out / np.abs(out).max()


def _times(seconds: float) -> Array:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def _struck(rng: Rng, _slot_s: float) -> Array:
    t, decay_s = _times(1.5), rng.uniform(0.03, 0.25)
    skin = np.sin(2.0 * np.pi * (rng.uniform(50.0, 180.0) * t + 2.0 * np.exp(-t / 0.02)))
    return (skin + rng.uniform(0.0, 0.5) * rng.standard_normal(len(t)) * np.exp(-t / 0.01)) * np.exp(-t / decay_s)


def _plucked(rng: Rng, _slot_s: float) -> Array:
    t, pitch, decay_s = _times(6.0), rng.uniform(80.0, 600.0), rng.uniform(0.3, 2.0)
    partials = [np.sin(2.0 * np.pi * k * pitch * t) / k * np.exp(-t * k**0.5 / decay_s) for k in range(1, 8)]
    return np.asarray(sum(partials))


def _sung(rng: Rng, slot_s: float) -> Array:
    t, pitch = _times(max(0.3, rng.uniform(0.6, 0.95) * slot_s)), rng.uniform(100.0, 500.0)
    phase = 2.0 * np.pi * pitch * t + 0.3 * np.sin(2.0 * np.pi * 5.5 * t)
    envelope = np.minimum(1.0, t / 0.06) * np.minimum(1.0, (t[-1] - t) / 0.1)
    return np.asarray(sum(np.sin(k * phase) / k for k in range(1, 9)) * envelope)


def _strummed(rng: Rng, slot_s: float) -> Array:
    out = np.zeros(round((slot_s + 1.0) * RATE_HZ))
    for string in range(6):
        t = _times(slot_s)
        note = np.sin(2.0 * np.pi * rng.uniform(80.0, 400.0) * t) * np.exp(-t / rng.uniform(0.3, 1.0))
        first = round(0.012 * string * RATE_HZ)
        out[first : first + len(t)] += note
    return out


_EVENTS: Final = {"struck": _struck, "plucked": _plucked, "sung": _sung, "strummed": _strummed}


def _extra(check: Check, rng: Rng, frames: int) -> Array:
    """Return what is heard beside the steady playing, against the playing's peak of 1."""
    out = np.zeros(frames)
    if check.extra == "nothing":
        return out
    if check.extra == "count-in":
        for beat in range(4):
            tick = _struck(rng, 1.0)[: RATE_HZ // 10]
            first = round((0.05 + 0.06 * beat) * RATE_HZ)
            out[first : first + len(tick)] += _linear(-check.extra_db) * tick / np.abs(tick).max()
        return out
    t = _times({"bump": 0.2, "cough": 0.3, "shout": 0.8}[check.extra])
    sound = {
        "bump": np.sin(2.0 * np.pi * rng.uniform(30.0, 80.0) * t) * np.exp(-t / 0.04),
        "cough": rng.standard_normal(len(t)) * np.sin(np.pi * t / t[-1]),
        "shout": _sung(rng, 1.2)[: len(t)] if check.extra == "shout" else t,
    }[check.extra]
    first = round(rng.uniform(0.5, check.seconds - 2.0) * RATE_HZ)
    length = min(len(sound), frames - first)
    out[first : first + length] = _linear(check.extra_db) * sound[:length] / np.abs(sound).max()
    return out
