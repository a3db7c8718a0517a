"""Buffers lost or repeated in sustained parts; none told in clean recordings of a minute."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

import numpy as np

from tests.prove import hum
from tests.prove.proof import Proof, ProofContext
from tests.prove.takes_score import beside
from tests.prove.takes_sounds import SOUNDS, Array, Rng, ends
from tests.support import wavefile
from tests.support.wavefile import PCM_16, PCM_24, Kind

SOURCE: Final = "own truth, a seed of its own"
PARTS: Final = ("voice", "cello", "organ", "guitar")
"""Parts of the proof of hum, at its rate; the others are sounds at 48 kHz."""
SUSTAINED: Final = (*PARTS, "bowed", "sung", "pad", "plucked")
RATE_HZ: Final = 48_000
SECONDS: Final = 10
SEED: Final = 77_402
REPEATS: Final = 16
MINUTES: Final = 500
BATCH: Final = 6
"""Files a process: minutes of samples fill the memory."""
NEAR_FRAMES: Final = 64
DAMAGES: Final = ("lost", "repeated")


@dataclass(frozen=True)
class BufferCase:
    """A part with damage at a frame; `name` begins with its part."""

    part: str
    damage: str
    at: int
    samples: Array
    rate_hz: int
    kind: Kind


def _part(rng: Rng, name: str) -> tuple[Array, int]:
    """Return ten seconds of a part, its peak near -10 dBFS, with the noise of a room, and its rate."""
    if name in PARTS:
        return hum.part_of(rng, name)[: SECONDS * hum.RATE_HZ], hum.RATE_HZ
    sound = SOUNDS[name]
    pitch_hz = float(np.exp(rng.uniform(np.log(sound.lowest_hz), np.log(min(1_000.0, sound.highest_hz)))))
    made = 0.3 * sound.make(rng, RATE_HZ, SECONDS * RATE_HZ, pitch_hz)
    return made + 10.0 ** (-rng.uniform(60.0, 90.0) / 20.0) * rng.standard_normal(len(made)), RATE_HZ


def _stored(rng: Rng, samples: Array) -> tuple[Array, Kind]:
    """Return samples on the grid of 16 or 24 bits, with its dither, as a converter gives them."""
    kind = (PCM_16, PCM_24)[int(rng.integers(2))]
    step = 2.0 ** (-15 if kind is PCM_16 else -23)
    dither = rng.random(len(samples)) - rng.random(len(samples))
    return np.clip(np.round(samples / step + dither) * step, -1.0, 1.0 - step), kind


def _place(rng: Rng, samples: Array, rate_hz: int) -> int:
    """Return a random frame at which the part plays."""
    while True:
        at = int(rng.integers(rate_hz // 2, len(samples) - rate_hz // 2))
        if np.std(samples[at - 500 : at + 500]) > 0.3 * np.std(samples):
            return at


def _damaged(repeats: int) -> Iterator[BufferCase]:
    for place, name in enumerate(SUSTAINED):
        for number in range(repeats):
            rng = np.random.default_rng((SEED, 1, place, number))
            part, rate_hz = _part(rng, name)
            samples, kind = _stored(rng, part)
            frames, at = round(2.0 ** rng.uniform(6.0, 10.0)), _place(rng, samples, rate_hz)
            made = {
                "lost": np.concatenate((samples[:at], samples[at + frames :])),
                "repeated": np.concatenate((samples[:at], samples[at - frames :])),
            }
            for damage, damaged in made.items():
                yield BufferCase(name, damage, at, damaged, rate_hz, kind)


def _clean(minutes: int) -> Iterator[BufferCase]:
    """Yield recordings of a minute: six phrases of a sound with soft ends."""
    names = tuple(name for name, sound in SOUNDS.items() if sound.kind in ("natural", "driven")) + PARTS
    for number in range(minutes):
        rng, name = np.random.default_rng((SEED, 2, number)), names[number % len(names)]
        made = [_part(rng, name) for _ in range(6)]
        rate_hz = made[0][1]
        samples, kind = _stored(rng, np.concatenate([ends(phrase, rate_hz, 0.1) for phrase, _ in made]))
        yield BufferCase(name, "none", 0, samples, rate_hz, kind)


def _told(bench: ProofContext, cases: Iterator[BufferCase]) -> Iterator[tuple[BufferCase, list[float]]]:
    """Yield each case, its samples gone, with the places of dropouts that the command names."""

    def measured(batch: Sequence[BufferCase]) -> list[tuple[BufferCase, list[float]]]:
        paths = [
            wavefile.write(bench.folder / f"{n}.wav", case.samples[:, None], case.rate_hz, case.kind)
            for n, case in enumerate(batch)
        ]
        stems = bench.stager("measure", *paths, "--json").json()["stems"]
        bare = (BufferCase(c.part, c.damage, c.at, c.samples[:0], c.rate_hz, c.kind) for c in batch)
        return [(case, _places(stem)) for case, stem in zip(bare, stems, strict=True)]

    for found in beside(iter(lambda: list(islice(cases, BATCH)), []), measured):
        yield from found


def _places(stem: dict[str, Any]) -> list[float]:
    return [at_s for finding in stem["findings"] if finding["code"] == "dropout" for at_s in finding["at_s"]]


def _is_found(case: BufferCase, places: Sequence[float]) -> bool:
    return any(abs(at_s * case.rate_hz - case.at) <= NEAR_FRAMES for at_s in places)


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Measure every case; print a table by part, then count."""
    hits: Counter[tuple[str, str]] = Counter()
    whole: Counter[tuple[str, str]] = Counter()
    for case, places in _told(bench, _damaged(bench.count(REPEATS))):
        whole[case.part, case.damage] += 1
        hits[case.part, case.damage] += _is_found(case, places)
    for key, count in whole.items():
        print(f"{key[1]} in {key[0]}: {hits[key]} of {count}", flush=True)
    sums = {d: (sum(hits[p, d] for p in SUSTAINED), sum(whole[p, d] for p in SUSTAINED)) for d in DAMAGES}
    buffers = sums["lost"][0] + sums["repeated"][0], sums["lost"][1] + sums["repeated"][1]
    yield _share("buffers lost or repeated in sustained parts: found", *buffers, 0.5)
    yield _share("of these, repeated", *sums["repeated"], 0.95)
    told = list(_told(bench, _clean(bench.count(MINUTES))))
    wrong = [case.part for case, places in told if places]
    print(f"told in clean recordings: {Counter(wrong)}", flush=True)
    most = max(1, len(told) // 500)
    claim = "clean recordings of a minute in which some is told"
    yield Proof(claim, SOURCE, f"at most {most}", f"{len(wrong)} of {len(told)}", len(wrong) <= most)


def _share(claim: str, hits: int, whole: int, least: float) -> Proof:
    return Proof(claim, SOURCE, f"at least {least:.0%}", f"{hits} of {whole}", whole > 0 and hits >= least * whole)
