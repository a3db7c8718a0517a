"""Noise under parts with and without pauses, and louder and louder faults: no verdict gets better as one grows."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np

from tests.prove.hum import FRAMES, PAUSING, RATE_HZ, SUSTAINED, hum_wave, part_of
from tests.prove.proof import Proof, ProofContext
from tests.prove.takes_score import VERDICTS, batches, beside
from tests.prove.takes_sounds import Array, Rng
from tests.support import wavefile

SOURCE: Final = "own truth, a seed of its own"
UNDER_DB: Final = (10.0, 20.0, 25.0)
"""How far under the part noise must be found."""
GROWING_DB: Final = (60.0, 50.0, 40.0, 35.0, 30.0, 25.0, 21.0, 19.0, 15.0, 10.0, 5.0, 0.0, -6.0, -12.0)
"""How far under the part a growing fault lies, to far over it."""
NEAR_DB: Final = 4.0
REPEATS: Final = 6
SEED: Final = 77_101
PART_DBFS: Final = -16.99
"""The average of the parts: an RMS of 0.1 in dBFS of a sine (arithmetic)."""


@dataclass(frozen=True)
class NoiseCase:
    """A part with a fault at so many decibels under it; None for none. `row` counts the parts."""

    row: int
    name: str
    fault: str
    under_db: float | None
    samples: Array


def _noise(rng: Rng, number: int) -> Array:
    """Return noise of RMS 1: white, or darker as of a room."""
    white = rng.standard_normal(FRAMES + 1)
    made = white[1:] + (0.8 if number % 2 else 0.0) * white[:-1]
    return np.asarray(made / made.std())


def _parts(repeats: int, first: int) -> Iterator[tuple[int, str, Array, Rng]]:
    names = (*SUSTAINED, *PAUSING)
    for number in range(repeats):
        for place, name in enumerate(names):
            rng = np.random.default_rng((SEED, first, number, place))
            yield number * len(names) + place, name, part_of(rng, name), rng


def _steady(repeats: int) -> Iterator[NoiseCase]:
    for row, name, part, rng in _parts(repeats, 1):
        noise = 0.1 * _noise(rng, row // 2)
        yield NoiseCase(row, name, "none", None, part)
        for under_db in UNDER_DB:
            yield NoiseCase(row, name, "noise", under_db, part + 10.0 ** (-under_db / 20.0) * noise)


def _growing(repeats: int) -> Iterator[NoiseCase]:
    for row, name, part, rng in _parts(repeats, 2):
        faults = {"noise": 0.1 * _noise(rng, row // 2), "hum": hum_wave(rng, float(rng.choice([50.0, 60.0])), 0.0)}
        for fault, samples in faults.items():
            for under_db in GROWING_DB:
                yield NoiseCase(row, name, fault, under_db, part + 10.0 ** (-under_db / 20.0) * samples)


def _told(bench: ProofContext, cases: Iterator[NoiseCase]) -> Iterator[tuple[NoiseCase, dict[str, Any]]]:
    """Yield each case, its samples gone, with what the command found."""

    def measured(batch: Sequence[NoiseCase]) -> list[tuple[NoiseCase, dict[str, Any]]]:
        paths = [
            wavefile.write(bench.folder / f"{n}.wav", 0.1 * case.samples[:, None], RATE_HZ, wavefile.PCM_24)
            for n, case in enumerate(batch)
        ]
        stems = bench.stager("measure", *paths, "--json").json()["stems"]
        bare = (NoiseCase(c.row, c.name, c.fault, c.under_db, c.samples[:0]) for c in batch)
        return list(zip(bare, stems, strict=True))

    for found in beside(batches(cases), measured):
        yield from found


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Measure every case, then count."""
    steady = list(_told(bench, _steady(bench.count(REPEATS))))
    noisy = [(case, stem["levels"]["noise_floor_dbfs"]) for case, stem in steady if case.under_db is not None]
    known = [(case, level) for case, level in noisy if level is not None]
    yield _share("noise 10 to 25 dB under a part: found", len(known), len(noisy), 0.95)
    near = sum(abs(level - (PART_DBFS - 20.0 - (case.under_db or 0.0))) <= NEAR_DB for case, level in known)
    yield _share("noise that was found: level within 4 dB", near, len(known), 0.9)
    clean = [stem for case, stem in steady if case.under_db is None]
    wrong = sum(finding["code"] == "noise_raised" for stem in clean for finding in stem["findings"])
    yield Proof("parts without noise in which some is told", SOURCE, "none", f"{wrong} of {len(clean)}", wrong == 0)
    yield from _never_better(list(_told(bench, _growing(max(1, bench.count(REPEATS) // 2)))))


def _never_better(found: Sequence[tuple[NoiseCase, dict[str, Any]]]) -> Iterator[Proof]:
    """A louder fault never gets a better verdict, and at its loudest it is told."""
    rows: dict[tuple[str, int], list[tuple[NoiseCase, int]]] = {}
    for case, stem in found:
        rows.setdefault((case.fault, case.row), []).append((case, VERDICTS.index(stem["verdict"])))
    for fault in ("noise", "hum"):
        better = whole = 0
        for key, row in rows.items():
            steps = [after - before for (_, before), (_, after) in pairwise(row)]
            if key[0] == fault:
                better, whole = better + sum(step < 0 for step in steps), whole + len(steps)
                for (case, _), step in zip(row[1:], steps, strict=True):
                    if step < 0:
                        print(f"{fault} {case.under_db:+.0f} dB under {case.name}, part {key[1]}: better", flush=True)
        claim = f"{fault} grows from 60 dB under to 12 over: verdict better"
        yield Proof(claim, SOURCE, "never", f"{better} of {whole}", whole > 0 and better == 0)


def _share(claim: str, hits: int, whole: int, least: float) -> Proof:
    return Proof(claim, SOURCE, f"at least {least:.0%}", f"{hits} of {whole}", whole > 0 and hits >= least * whole)
