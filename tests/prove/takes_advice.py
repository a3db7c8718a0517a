"""Takes of known peak and average, and the change of the input that they ask for, by arithmetic."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.prove.takes_clean import room
from tests.prove.takes_sounds import Rng
from tests.support import reference_levels

Array = NDArray[Any]
RATE_HZ: Final = 48_000
SECONDS: Final = 10.0
PEAK_DBFS: Final = -12.0
AVERAGE_DBFS: Final = -18.0
"""What a good take peaks at and averages: the project file's own defaults (common practice, no source)."""
SILENT_WITHIN_DB: Final = 3.0
"""Inside it a judge need not ask for anything: the project file's own default."""
LEAST_BUMP_DB: Final = 6.0
"""How far a bump stands over the music's peak at the least; own figure."""
SHAPES: Final = ("plucked", "dense", "plucked with a bump", "dense with a bump")


@dataclass(frozen=True)
class Take:
    """A take, the change in dB that its music asks for, and which of the two figures asks for it.

    `apart_db` is by how much the other one asks for more.
    `take(*seed, turned_db)` plays it once more with the input turned; a bump is no music, and asks for nothing.
    """

    name: str
    samples: Array
    change_db: float
    decided_by: str
    apart_db: float
    highest_dbfs: float
    seed: tuple[int, int]

    @property
    def is_bumped(self) -> bool:
        """Whether there is a knock in it that is no music."""
        return "bump" in self.name

    @property
    def due_db(self) -> float:
        """What is to be advised: no raise over 12 dB, and none that brings the highest peak over -6 dBFS."""
        most_db = -3.0 - self.highest_dbfs if self.highest_dbfs > -3.0 else max(0.0, -6.0 - self.highest_dbfs)
        return min(self.change_db, most_db, 12.0)

    @property
    def is_limited(self) -> bool:
        """Whether less is due than the music asks for."""
        return self.due_db < self.change_db

    @property
    def must_speak(self) -> bool:
        """Whether it is so far off that something has to be said."""
        return abs(self.change_db) > SILENT_WITHIN_DB + 1.0

    @property
    def clear(self) -> bool:
        """Whether the two figures ask for changes that rounding can't confuse."""
        return self.apart_db > 2.0


def takes(seed: int, count: int) -> Iterator[Take]:
    """Yield so many takes of a seed."""
    for number in range(count):
        yield take(seed, number)


def take(seed: int, number: int, turned_db: float = 0.0) -> Take:
    """Return one take of a seed, its input turned by so many dB."""
    rng = np.random.default_rng((seed, 78, number))
    shape = SHAPES[number % len(SHAPES)]
    music = _plucked(rng) if shape.startswith("plucked") else _dense(rng)
    peak_dbfs = rng.uniform(-40.0, -3.0 if "bump" not in shape else -18.0)
    music = (music / np.abs(music).max() * reference_levels.linear(peak_dbfs + turned_db))[:, None]
    music += room(rng, music.shape, peak_dbfs + turned_db - 60.0)
    changes = asked(music)
    heard = (
        _over(music, _bump(rng)[:, None] * reference_levels.linear(peak_dbfs + turned_db)) if "bump" in shape else music
    )
    name = f"{seed}-{number:04d} {shape}, peak {peak_dbfs:.1f}, peak asks {changes[0]:+.1f}, average {changes[1]:+.1f}"
    decided_by, apart_db = ("peak", "average")[int(np.argmin(changes))], abs(changes[0] - changes[1])
    return Take(
        name, heard, min(changes), decided_by, apart_db, reference_levels.sample_peak_dbfs(heard), (seed, number)
    )


def asked(samples: Array) -> tuple[float, float]:
    """Return the changes in dB that peak and average ask for."""
    return PEAK_DBFS - reference_levels.sample_peak_dbfs(samples), AVERAGE_DBFS - reference_levels.average_dbfs(
        samples, RATE_HZ
    )


def _plucked(rng: Rng) -> Array:
    """Notes of nearly one strength, so that no single one of them sets the peak."""
    out, t = np.zeros(round(SECONDS * RATE_HZ)), np.arange(RATE_HZ) / RATE_HZ
    decay_s, strength = rng.uniform(0.1, 0.5), rng.uniform(0.97, 1.0, 64)
    for number, start in enumerate(np.arange(0.2, SECONDS - 1.1, 0.4)):
        pitch = 110.0 * 2.0 ** (rng.integers(0, 24) / 12)
        note = sum(np.sin(2 * np.pi * k * pitch * t) / k for k in range(1, 9)) * np.exp(-t / decay_s)
        first = round(start * RATE_HZ)
        out[first : first + RATE_HZ] *= np.minimum(1.0, t * 50.0 + 1.0) * 0.3
        out[first : first + RATE_HZ] += strength[number] * note / np.abs(note).max()
    return out


def _dense(rng: Rng) -> Array:
    """A held tone of two partials that breathes a little: 1 to 5 dB between its peak and a sine's."""
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    pitch, second, depth = rng.uniform(90.0, 500.0), rng.uniform(0.0, 0.5), rng.uniform(0.0, 0.3)
    tone = np.sin(2 * np.pi * pitch * t) + second * np.sin(2 * np.pi * 2.01 * pitch * t)
    return tone * (1.0 - depth * (0.5 + 0.5 * np.sin(2 * np.pi * 0.9 * t)))


def _over(music: Array, knock: Array) -> Array:
    """Add a knock; where it falls against the music, so much more of it that it stands 6 dB over it all the same.

    A moment that is less far over all the rest may be an accent, and nobody can tell which of the two it was.
    """
    least = reference_levels.linear(LEAST_BUMP_DB) * np.abs(music).max()
    while np.abs(music + knock).max() < least:
        knock = 1.05 * knock
    return np.asarray(music + knock)


def _bump(rng: Rng) -> Array:
    """One knock at the stand, 6 to 14 dB over the music's peak, gone within a tenth of a second."""
    out, t = np.zeros(round(SECONDS * RATE_HZ)), np.arange(RATE_HZ // 5) / RATE_HZ
    knock = np.sin(2 * np.pi * rng.uniform(40.0, 90.0) * t) * np.exp(-t / 0.025)
    first = round(rng.uniform(1.0, SECONDS - 2.0) * RATE_HZ)
    out[first : first + len(knock)] = (
        reference_levels.linear(rng.uniform(LEAST_BUMP_DB, 14.0)) * knock / np.abs(knock).max()
    )
    return out
