"""Hum of the mains at 5 to 45 dB under parts with and without pauses; none in the same parts, low notes and tunes."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.prove.takes_score import batches, beside
from tests.prove.takes_sounds import Array, Rng, bowed, ends, normal, plucked, sung
from tests.support import wavefile

RATE_HZ: Final = 22_050
SECONDS: Final = 20
SOURCE: Final = "own truth, a seed of its own"
UNDER_DB: Final = (5.0, 15.0, 25.0, 35.0)
REPEATS: Final = 10
SCALE: Final = (0, 2, 4, 5, 7, 9, 11, 12)
FRAMES: Final = SECONDS * RATE_HZ


@dataclass(frozen=True)
class HumCase:
    """A part with its name, and the hum in it: mains frequency, distance under the part, level in dBFS."""

    name: str
    samples: Array
    mains_hz: float | None = None
    under_db: float | None = None
    level_dbfs: float | None = None


def _notes(rng: Rng, lowest_hz: float, note_s: tuple[float, float], make: str, overlap: float) -> Array:
    """Place notes of a scale one after the other, each a little longer than its time."""
    makers = {"voice": sung, "cello": bowed, "organ": _organ_note, "sub": _sub_note, "guitar": plucked}
    out, at = np.zeros(FRAMES + 6 * RATE_HZ), 0
    while at < FRAMES:
        frames = int(rng.uniform(*note_s) * RATE_HZ)
        hz = lowest_hz * 2.0 ** (rng.choice(SCALE) / 12.0)
        made = makers[make](rng, RATE_HZ, int(overlap * frames) + 64, hz)
        out[at : at + len(made)] += rng.uniform(0.5, 1.0) * normal(made)
        at += frames
    return out[:FRAMES]


def _organ_note(rng: Rng, rate_hz: int, frames: int, hz: float) -> Array:
    t = np.arange(frames) / rate_hz
    stops = ((1, 1.0), (2, 0.7), (3, 0.4), (4, 0.5), (6, 0.2), (8, 0.2))
    return ends(sum(a * np.sin(2 * np.pi * hz * k * t + rng.uniform(0, 6)) for k, a in stops), rate_hz, 0.02)


def _sub_note(_rng: Rng, rate_hz: int, frames: int, hz: float) -> Array:
    t = np.arange(frames) / rate_hz
    return ends(np.sin(2 * np.pi * hz * t) + 0.1 * np.sin(4 * np.pi * hz * t), rate_hz, 0.01)


def _drums(rng: Rng) -> Array:
    """A loop of kick, snare and hat, each stroke of its own strength."""
    step, t = 15.0 / rng.uniform(80.0, 150.0), np.arange(int(0.4 * RATE_HZ)) / RATE_HZ
    glide = rng.uniform(42.0, 65.0) * t + rng.uniform(1.0, 3.0) * (1.0 - np.exp(-t / 0.03))
    kick = np.sin(2 * np.pi * glide) * np.exp(-t / rng.uniform(0.06, 0.15))
    snare = (0.5 * rng.standard_normal(len(t)) + np.sin(2 * np.pi * 185.0 * t)) * np.exp(-t / 0.08)
    hat = 0.3 * np.diff(rng.standard_normal(len(t) + 1)) * np.exp(-t / 0.02)
    out = np.zeros(FRAMES + RATE_HZ)
    for number in range(int(SECONDS / step)):
        at = int(number * step * RATE_HZ)
        for stroke, beats in ((kick, (0, 6, 8, 11)), (0.7 * snare, (4, 12)), (0.5 * hat, range(0, 16, 2))):
            if number % 16 in beats:
                out[at : at + len(t)] += rng.uniform(0.8, 1.0) * stroke
    return out[:FRAMES]


def part_of(rng: Rng, name: str) -> Array:
    """Return a part at an RMS of 0.1 while it plays, with hiss of a room 75 dB under it."""
    if name == "drums":
        made = _drums(rng)
    elif name == "organ":
        voices = (440.0 * 2.0 ** (-int(rng.integers(5, 34)) / 12.0) for _ in range(3))
        made = sum((_notes(rng, hz, (0.8, 3.0), "organ", 1.02) for hz in voices), np.zeros(FRAMES))
    elif name == "cello":
        made = _notes(rng, 440.0 * 2.0 ** (-int(rng.integers(24, 37)) / 12.0), (0.4, 2.0), "cello", 1.2)
    elif name == "guitar":
        made = _notes(rng, 82.41 * 2.0 ** (int(rng.integers(0, 12)) / 12.0), (0.25, 0.6), "guitar", 4.0)
    else:
        made = _notes(rng, rng.uniform(98.0, 220.0), (0.4, 1.3), "voice", 1.15)
        if name == "voice with pauses":
            made *= np.arange(FRAMES) % (5 * RATE_HZ) < 3.2 * RATE_HZ
    return _at_level(made) + 10.0 ** (-95.0 / 20.0) * rng.standard_normal(FRAMES)


def _at_level(made: Array) -> Array:
    """Return a part whose RMS is 0.1 over the blocks that are within 10 dB of its mean power."""
    powers = (made[: len(made) // 8820 * 8820].reshape(-1, 8820) ** 2).mean(axis=1)
    return np.asarray(0.1 * made / np.sqrt(powers[powers > 0.1 * powers.mean()].mean()))


def hum_wave(rng: Rng, mains_hz: float, under_db: float) -> Array:
    """Return hum that drifts within 0.2 Hz: mostly fundamental, of a rectifier, or a buzz."""
    kind = rng.choice(["fundamental", "rectifier", "buzz"])
    knots = rng.uniform(-0.2, 0.2, SECONDS // 10 + 2)
    drift = np.interp(np.arange(FRAMES), np.linspace(0, FRAMES, len(knots)), knots)
    phase, out = 2 * np.pi * np.cumsum(mains_hz + drift) / RATE_HZ, np.zeros(FRAMES)
    for n in range(1, int(1000.0 / mains_hz) + 1):
        if kind == "fundamental":
            amplitude = 1.0 if n == 1 else rng.uniform(0.02, 0.3) / n
        elif kind == "rectifier":
            amplitude = 0.15 if n == 1 else 2.0 / n if n % 2 == 0 else 0.05 / n
        else:
            amplitude = rng.uniform(0.3, 1.0) / np.sqrt(n)
        out += amplitude * np.sin(n * phase + rng.uniform(0, 2 * np.pi))
    return np.asarray(0.1 * 10.0 ** (-under_db / 20.0) * out / out.std())


PAUSING: Final = ("voice with pauses",)
SUSTAINED: Final = ("voice", "guitar", "cello", "organ", "drums")


def _with_hum(repeats: int) -> Iterator[HumCase]:
    for name in (*PAUSING, *SUSTAINED):
        for under_db in (*UNDER_DB, *((45.0,) if name in PAUSING else ())):
            for number in range(repeats):
                rng = np.random.default_rng((77_001, len(name), int(under_db), number))
                mains_hz = float(rng.choice([50.0, 60.0]))
                hum = hum_wave(rng, mains_hz, under_db)
                level = float(20 * np.log10(np.sqrt(2.0) * hum.std()))
                yield HumCase(name, part_of(rng, name) + hum, mains_hz, under_db, level)


def _low_notes(repeats: int) -> Iterator[HumCase]:
    """Held and repeated G1, A1 and B1, and a sub-bass that plays a tune over 50 Hz: five of each in whole."""
    for number in range(repeats):
        rng = np.random.default_rng((77_002, number))
        hiss = 1e-5 * rng.standard_normal(FRAMES)
        for hz in (48.9994, 55.0, 61.7354):
            yield HumCase("held", _at_level(_organ_note(rng, RATE_HZ, FRAMES, hz)) + hiss)
            yield HumCase("bowed", _at_level(bowed(rng, RATE_HZ, FRAMES, hz)) + hiss)
            notes = [normal(plucked(rng, RATE_HZ, RATE_HZ, hz)) for _ in range(SECONDS)]
            yield HumCase("repeated", _at_level(np.concatenate(notes)) + hiss)
        for _ in range(3):
            yield HumCase("sub-bass", _at_level(_notes(rng, 50.0, (0.25, 1.2), "sub", 1.0)) + hiss)


def _told(bench: ProofContext, cases: Iterator[HumCase]) -> Iterator[tuple[HumCase, float | None, float | None]]:
    """Yield each case, its samples gone, with the level and the mains frequency that the command found."""

    def measured(batch: Sequence[HumCase]) -> list[tuple[HumCase, float | None, float | None]]:
        paths = [
            wavefile.write(bench.folder / f"{n}.wav", case.samples[:, None], RATE_HZ, wavefile.PCM_24)
            for n, case in enumerate(batch)
        ]
        stems = bench.stager("measure", *paths, "--json").json()["stems"]
        bare = (HumCase(c.name, c.samples[:0], c.mains_hz, c.under_db, c.level_dbfs) for c in batch)
        return [(c, s["levels"]["hum_dbfs"], s["levels"]["hum_hz"]) for c, s in zip(bare, stems, strict=True)]

    for found in beside(batches(cases), measured):
        yield from found


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Measure every case; print a table by part and level, then count."""
    rows: dict[tuple[str, float], list[tuple[bool, bool]]] = defaultdict(list)
    for case, level, mains_hz in _told(bench, _with_hum(bench.count(REPEATS))):
        assert case.under_db is not None
        assert case.level_dbfs is not None
        found = level is not None and mains_hz == case.mains_hz
        near = found and level is not None and abs(level - case.level_dbfs) <= 1.5
        rows[case.name, case.under_db].append((found, near))
    for (name, under_db), row in rows.items():
        print(f"hum {under_db:.0f} dB under {name}: {sum(f for f, _ in row)} of {len(row)} found", flush=True)
    yield _found("hum 5 to 45 dB under a part with pauses", rows, PAUSING, (*UNDER_DB, 45.0), 0.95)
    yield _found("hum 5 to 25 dB under parts without pauses", rows, SUSTAINED, UNDER_DB[:3], 0.95)
    yield _found("hum 35 dB under parts without pauses", rows, SUSTAINED, UNDER_DB[3:], 0.75)
    told = [near for row in rows.values() for found, near in row if found]
    figure = f"{sum(told)} of {len(told)}"
    yield Proof("hum that was found: level within 1.5 dB", SOURCE, "at least 90%", figure, sum(told) >= 0.9 * len(told))
    yield _none(bench, "low notes and sub-bass tunes taken for hum", _low_notes(bench.count(5)))
    clean = (
        HumCase(name, part_of(np.random.default_rng((77_003, len(name), n)), name))
        for n in range(bench.count(REPEATS))
        for name in (*PAUSING, *SUSTAINED)
    )
    yield _none(bench, "parts without hum in which some is told", clean)


def _found(
    claim: str,
    rows: dict[tuple[str, float], list[tuple[bool, bool]]],
    names: Sequence[str],
    levels: Sequence[float],
    least: float,
) -> Proof:
    found = [one for name in names for under_db in levels for one, _ in rows[name, under_db]]
    figure = f"{sum(found)} of {len(found)}"
    return Proof(claim, SOURCE, f"at least {least:.0%}", figure, sum(found) >= least * len(found) > 0)


def _none(bench: ProofContext, claim: str, cases: Iterator[HumCase]) -> Proof:
    levels = [level for _, level, _ in _told(bench, cases)]
    wrong = sum(level is not None for level in levels)
    return Proof(claim, SOURCE, "none", f"{wrong} of {len(levels)}", wrong == 0 < len(levels))
