"""What is true of a thousand invented takes, written apart from any detector and without the package's code.

`cases(seed, count)` gives them one by one; each depends on its seed and its number alone. The detectors may be tuned on
`TUNING_SEEDS`, and never on `PROOF_SEED`. To see what they miss and what they accuse wrongly:
`python -m tests.prove.takes_truth --seed 1 --count 200 --show`.
"""

import argparse
import itertools
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np

from tests.prove import takes_clean, takes_faults
from tests.prove.takes_case import Case
from tests.prove.takes_clean import DRIVEN, LOOKS, NATURAL, SQUAREISH, SYNTHETIC
from tests.prove.takes_faults import SAME_EVENT_FRAMES, Array, Made, runs
from tests.prove.takes_score import Outcome, judged, table
from tests.prove.takes_sounds import SOUNDS, Rng
from tests.support.command import Command
from tests.support.wavefile import Kind, write

PROOF_SEED: Final = 929_393
"""The seed of the proof; nothing is tuned on it."""
TUNING_SEEDS: Final = range(1, 1_000)
"""Seeds to tune detectors on."""
RATES_HZ: Final = (44_100, 48_000, 48_000, 96_000)
PLAN: Final = (
    *("clean", "clipped", "look-alike", "clipped_upstream", "dropout"),
    *("clean", "clipped", "look-alike", "clipped_upstream", "over_full_scale"),
    *("clean", "clipped", "look-alike", "clipped_upstream", "dropout"),
    *("clean", "clipped", "look-alike", "clipped_upstream", "inter_sample_over"),
)
"""The fault of each case in turn: two in five are clean, half of those look as if they were not."""
PLAIN: Final = (*NATURAL, *SYNTHETIC, *NATURAL, *SYNTHETIC, *DRIVEN, *SQUAREISH)
DAMAGED: Final = (*NATURAL, *SYNTHETIC, *NATURAL, "amp soft", "amp hard", "saturated")
"""Sounds that are damaged: none whose own shape has flat tops, for of those nobody can tell."""
NOISY_ONE_IN: Final = 8
"""One in so many of those clipped upstream has a converter's noise over its tops."""


def cases(seed: int, count: int) -> Iterator[Case]:
    """Yield so many cases of a seed."""
    for number in range(count):
        yield case(seed, number)


def cases_of(fault: str, seed: int, first: int, count: int) -> Iterator[Case]:
    """Yield so many cases of one fault, from the number `first` on."""
    numbers = (number for number in itertools.count(first) if PLAN[number % len(PLAN)] == fault)
    for number in itertools.islice(numbers, count):
        yield case(seed, number)


def case(seed: int, number: int) -> Case:
    """Return one case of a seed."""
    rng = np.random.default_rng((seed, number))
    fault, turn = PLAN[number % len(PLAN)], number // len(PLAN) * PLAN.count(PLAN[number % len(PLAN)])
    turn += PLAN[: number % len(PLAN)].count(fault)
    rate_hz = int(rng.choice(RATES_HZ))
    kind: Kind = takes_faults.KINDS[rng.integers(len(takes_faults.KINDS))]
    frames = round(rng.uniform(1.5, 3.5 if rate_hz < 96_000 else 2.5) * rate_hz)
    sound, pitch_hz, made = _made(rng, fault, turn, (rate_hz, frames, kind))
    kind = takes_faults.FLOAT if fault == "over_full_scale" else kind
    kind = takes_faults.PCM_16 if made.variant == "bass on one code" else kind
    return _case(f"{seed}-{number:04d}", sound, fault, made, (rate_hz, kind, pitch_hz))


def _pitch(rng: Rng, sound: str) -> float:
    lowest, highest = SOUNDS[sound].lowest_hz, SOUNDS[sound].highest_hz
    return float(np.exp(rng.uniform(np.log(lowest), np.log(highest))))


def _made(rng: Rng, fault: str, turn: int, form: tuple[int, int, Kind]) -> tuple[str, float, Made]:
    rate_hz, frames, kind = form
    if fault == "look-alike":
        variant, look, sounds = LOOKS[turn % len(LOOKS)]
        sound = sounds[turn // len(LOOKS) % len(sounds)]
        pitch_hz = _pitch(rng, sound)
        samples = look(rng, sound, rate_hz, frames, pitch_hz, kind)
        return sound, pitch_hz, takes_clean.clean(samples, variant, sound)
    sounds = PLAIN if fault in ("clean", "over_full_scale") else DAMAGED
    sound = sounds[turn % len(sounds)]
    pitch_hz = _pitch(rng, sound)
    if fault == "clean":
        samples = takes_clean.plain(rng, sound, rate_hz, frames, pitch_hz, kind)
        return sound, pitch_hz, takes_clean.clean(samples, "", sound)
    mono = SOUNDS[sound].make(rng, rate_hz, frames, pitch_hz)
    return sound, pitch_hz, _damaged(rng, fault, turn, sound, (mono, rate_hz, kind))


def _damaged(rng: Rng, fault: str, turn: int, sound: str, form: tuple[Array, int, Kind]) -> Made:
    mono, rate_hz, kind = form
    laid = takes_clean.spread(rng, mono, rate_hz, SOUNDS[sound].kind)
    driven = SOUNDS[sound].kind == "driven"
    if fault == "clipped":
        return takes_faults.clipped(laid, rng, rate_hz, kind, driven=driven)
    if fault == "clipped_upstream":
        noisy = turn % NOISY_ONE_IN == NOISY_ONE_IN - 1
        spoil = takes_faults.clipped_then_noise if noisy else takes_faults.clipped_upstream
        return spoil(laid, rng, rate_hz, kind, driven=driven)
    spoiled = {
        "dropout": takes_faults.dropout,
        "over_full_scale": takes_faults.over_full_scale,
        "inter_sample_over": takes_faults.inter_sample_over,
    }
    return spoiled[fault](laid, rng, rate_hz, kind)


def _case(number: str, sound: str, fault: str, made: Made, form: tuple[int, Kind, float]) -> Case:
    rate_hz, kind, pitch_hz = form
    counts = [runs(channel, SAME_EVENT_FRAMES) for channel in made.at_rail.T]
    depth = "" if made.depth_db is None else f", {made.depth_db:.2f} dB"
    detail = f", {made.variant}" if made.variant else ""
    stream = f"{rate_hz} Hz {kind.name} {made.samples.shape[1]} ch"
    return Case(
        name=f"{number} {fault}: {sound} at {pitch_hz:.0f} Hz{depth}{detail}, {stream}",
        sound=sound,
        kind_of_sound=SOUNDS[sound].kind,
        fault=fault,
        variant=made.variant,
        depth_db=made.depth_db,
        samples=made.samples,
        sample_rate_hz=rate_hz,
        kind=kind,
        expected=made.expected,
        channels=made.channels,
        at_rail=max((n for n, _ in counts), default=0),
        events=max((n for _, n in counts), default=0),
        pitch_hz=pitch_hz,
        accepts=made.accepts,
        bound=made.bound,
        at_s=tuple(frame / rate_hz for frame in made.at_frames),
    )


def _shown(outcome: Outcome) -> str:
    case = outcome.case
    codes = ", ".join(f"{finding['code']} {finding['verdict']}" for finding in outcome.findings) or "nothing"
    rail = f" [{case.at_rail} at the rail in {case.events} events]" if case.at_rail else ""
    return f"{outcome.state:<12} {case.name}{rail}: {codes}"


def main() -> int:
    """Judge the cases of a seed by the installed command; print the table, and each one that is not right."""
    parser = argparse.ArgumentParser(prog="python -m tests.prove.takes_truth", description=__doc__)
    parser.add_argument("--seed", type=int, default=1, help="any but the proof's")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--only", default="", help="cases whose fault has this in its name")
    parser.add_argument("--show", action="store_true", help="name each miss and each false alarm")
    parser.add_argument("--keep", type=Path, help="write the files that were judged wrongly into this folder")
    options = parser.parse_args()
    if options.seed == PROOF_SEED:
        parser.error("the proof's seed is for the proof alone")
    wanted = (case for case in cases(options.seed, options.count) if options.only in case.fault)
    with tempfile.TemporaryDirectory(prefix="takes-") as folder:
        outcomes = list(judged(Command(), Path(folder), wanted))
    wrong = [outcome for outcome in outcomes if outcome.state != "right"]
    for outcome in wrong:
        if options.show:
            print(_shown(outcome))
        if options.keep:
            number = outcome.case.name.split()[0]
            again = case(options.seed, int(number.split("-")[1]))
            write(options.keep / f"{number}.wav", again.samples, again.sample_rate_hz, again.kind)
    print("\n".join(table(outcomes)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
