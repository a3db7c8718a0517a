"""A struck kit before five microphones, by numpy alone: what each hears, how late, and what one trim for all would be.

Three drums and five microphones have places in a room; every microphone hears every drum, later and weaker by the
distance between them (344 m/s; the pressure of a point falls with 1 / distance), and has noise of its own. Between two
microphones of one kit neither level nor delay may change: that is what a link is for.
"""

from dataclasses import dataclass
from math import dist, floor
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.prove.pairs_sound import delayed
from tests.support import reference_levels

Array = NDArray[Any]
SOUND_M_PER_S: Final = 344.0
STEP_DB: Final = 0.1
METERS_DB: Final = 0.05
"""What two true-peak meters may differ by."""
PLACES_M: Final = {"kick": (0.0, 0.6, 0.3), "snare": (-0.35, 0.1, 0.7), "tom": (0.3, 0.6, 0.8)}
MICROPHONES_M: Final = {
    "kit_kick.wav": (0.0, 0.75, 0.32),
    "kit_snare.wav": (-0.42, 0.16, 0.78),
    "kit_tom.wav": (0.34, 0.68, 0.88),
    "kit_over_L.wav": (-0.6, 0.5, 1.9),
    "kit_over_R.wav": (0.6, 0.5, 1.9),
}
NAMES: Final = tuple(MICROPHONES_M)
LINK: Final = '[[link]]\nname = "kit"\nmatch = ["kit_*.wav"]\n'
NOISE_LINEAR: Final = 1e-4


def hit(rng: np.random.Generator, drum: str, rate_hz: int) -> Array:
    """Make one hit on a drum, peak near 1, (frames,): a low tone that falls, a ring, a burst of noise."""
    t = np.arange(round(0.5 * rate_hz)) / rate_hz
    hz, ring_s, noise = {"kick": (55.0, 0.12, 0.1), "snare": (190.0, 0.06, 0.9), "tom": (110.0, 0.2, 0.2)}[drum]
    turns = hz * (t + 0.02 * (1.0 - np.exp(-t / 0.02)))
    tone = np.sin(2 * np.pi * turns) * np.exp(-t / ring_s)
    return (tone + noise * rng.standard_normal(len(t)) * np.exp(-t / 0.05)) * np.minimum(1.0, t / 0.001)


def drums(seed: int, seconds: float, rate_hz: int) -> dict[str, Array]:
    """Play a bar again and again: each drum alone, (frames, 1), as it sounds at its skin."""
    rng, out = np.random.default_rng(seed), {}
    for drum, beats in {"kick": (0.0, 1.5), "snare": (1.0,), "tom": (1.75,)}.items():
        made = np.zeros(round(seconds * rate_hz))
        for bar_s in np.arange(0.1, seconds - 1.6, 1.2):
            for beat in beats:
                at = round((bar_s + 0.6 * beat + rng.normal(0.0, 0.005)) * rate_hz)
                struck = rng.uniform(0.6, 1.0) * hit(rng, drum, rate_hz)[: len(made) - at]
                made[at : at + len(struck)] += struck
        out[drum] = made[:, None]
    return out


def heard(seed: int, seconds: float = 4.0, rate_hz: int = 48_000, peak_dbfs: float = -8.0) -> dict[str, Array]:
    """Return what each microphone hears, (frames, 1); the loudest has this sample peak, the others stand to it."""
    rng, played = np.random.default_rng((seed, 1)), drums(seed, seconds, rate_hz)
    out = {}
    for name, place in MICROPHONES_M.items():
        made = NOISE_LINEAR * rng.standard_normal((round(seconds * rate_hz), 1))
        for drum, where in PLACES_M.items():
            away_m = dist(place, where)
            made += 0.15 / away_m * delayed(played[drum], away_m / SOUND_M_PER_S * rate_hz)
        out[name] = made
    loudest = max(float(np.abs(made).max()) for made in out.values())
    return {name: made * reference_levels.linear(peak_dbfs) / loudest for name, made in out.items()}


@dataclass(frozen=True)
class OneTrim:
    """The trim that all members share: the lowest and the highest that is right, and who has the say in it.

    Two meters may read a level apart by `METERS_DB`; where that lies across a step, either step is right, and the two
    figures differ by one step. `stopped_by` is the member whose true peak stops the group, None where none does.
    """

    lowest_db: float
    highest_db: float
    loudest: str
    stopped_by: str | None


def _wanted(samples: Array, rate_hz: int, level_db: float, as_it_is_db: float) -> float:
    """Solve for the gain with the gates as they stand after it: quiet blocks may fall under the absolute gate."""
    wanted = level_db - as_it_is_db
    for _ in range(4):
        after = reference_levels.average(samples * 10.0 ** (wanted / 20.0), rate_hz).level_db
        wanted += level_db - (after if after is not None else level_db)
    return wanted


def one_trim(
    members: dict[str, tuple[Array, int]], level_db: float = -18.0, ceiling_dbtp: float = -3.0, boost_db: float = 18.0
) -> OneTrim:
    """Work out the trim of a link: what the loudest average wants, and no true peak nor the boost limit forbids.

    `members` are samples with their rate; one without an average has no say in what is wanted.
    """
    averages = {name: reference_levels.average(samples, rate).level_db for name, (samples, rate) in members.items()}
    sounding = {name: level for name, level in averages.items() if level is not None}
    loudest = max(sounding, key=lambda name: sounding[name])
    rooms = {
        name: ceiling_dbtp - reference_levels.true_peak_dbtp(samples)
        for name, (samples, _) in members.items()
        if samples.any()
    }
    tightest = min(rooms, key=lambda name: rooms[name])
    wanted = _wanted(*members[loudest], level_db, sounding[loudest])
    exact = min(wanted, rooms[tightest])
    lowest, highest = (
        floor(min(exact + off_db, boost_db) / STEP_DB + 1e-6) * STEP_DB for off_db in (-METERS_DB, METERS_DB)
    )
    return OneTrim(lowest, highest, loudest, tightest if rooms[tightest] < min(wanted, boost_db) else None)
