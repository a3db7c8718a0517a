"""Input advice, followed: 2,000 level checks are measured, turned as told, and looked at again, against arithmetic.

On a seed for tuning, with each that is wrong: `python -m tests.prove.advice --seed 1`.
"""

import argparse
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tests.prove.advice_checks import RATE_HZ, Check, average_dbfs, checks, peak_dbfs, played, recorded
from tests.prove.proof import Proof, ProofContext
from tests.prove.takes_score import batches, beside
from tests.support import wavefile
from tests.support.command import Command
from tests.support.wavefile import PCM_24

CHECKS: Final = 2_000
PROOF_SEED: Final = 4_301
HIGHEST_DBFS: Final = -3.0
"""No take may peak above this once the advice was followed."""
RAISED_DBFS: Final = -6.0
"""No raise may bring the highest peak above this."""
MOST_RAISE_DB: Final = 12
PEAK_DBFS: Final = -12.0
AVERAGE_DBFS: Final = -18.0
"""What a good take peaks at and averages: the project file's own defaults (common practice, no source)."""
NEAR_DB: Final = 3.0
SOURCE: Final = "own truth, arithmetic on samples"
CAUTION: Final = "Turn your headphones down before you turn the input up."
Advice = dict[str, Any]


@dataclass(frozen=True)
class Followed:
    """A check, what was advised on its first take, and by how much its input is turned after two rounds.

    `told_db` is what the player turned after the first: the second number where the loud moment was no playing.
    """

    check: Check
    advice: Advice
    told_db: float
    turned_db: float


def prove(bench: ProofContext, seed: int = PROOF_SEED) -> Iterator[Proof]:
    """Follow the advice on every check once and twice, then count."""
    every = list(_followed(bench, checks(seed, bench.count(CHECKS))))
    clipping = [one for one in every if _peak_after(one) > HIGHEST_DBFS]
    raised = [one for one in every if one.told_db > 0.0 and _peak_after(one) > RAISED_DBFS]
    yield _none("followed once: a take over -3 dBFS", clipping, every, seed)
    yield _none("a raise that brings the highest peak over -6 dBFS", raised, every, seed)
    yield _none("a raise of more than 12 dB", [one for one in every if max(_numbers(one)) > MOST_RAISE_DB], every, seed)
    yield _none("a raise without the caution", [one for one in every if _is_reckless(one)], every, seed)
    single = [one for one in every if one.check.events == 1 and one.check.extra == "nothing"]
    wrong = [one for one in single if max(_numbers(one)) > max(0.0, PEAK_DBFS + 1.0 - _first_peak(one))]
    yield _none("one stroke in quiet raised over the aim", wrong, single, seed)
    steady = [one for one in every if one.check.is_steady]
    near = [one for one in steady if abs(_left_db(one)) <= NEAR_DB]
    for one in steady:
        if abs(_left_db(one)) > NEAR_DB:
            _show(seed, f"steady, {_left_db(one):+.1f} dB off after two rounds", one)
    figure = f"{len(near)} of {len(steady)}"
    yield Proof("steady: within 3 dB after two rounds", SOURCE, "at least 95%", figure, len(near) >= 0.95 * len(steady))


def _none(claim: str, wrong: list[Followed], every: list[Followed], seed: int) -> Proof:
    for one in wrong:
        _show(seed, claim, one)
    return Proof(claim, SOURCE, "none", f"{len(wrong)} of {len(every)}", bool(every) and not wrong)


def _show(seed: int, what: str, one: Followed) -> None:
    """Print what is wrong, but not for the seed that nobody is to tune on."""
    if seed != PROOF_SEED:
        peaks = f"{_first_peak(one):.1f} dBFS, then {_peak_after(one):.1f}"
        print(f"{what}: {one.check}: {peaks}: {one.advice}", flush=True)


def _numbers(one: Followed) -> list[int]:
    """Return the one or two numbers of an advice; 0 where there is none."""
    numbers = (one.advice.get("input_change_db"), one.advice.get("alternative_change_db"))
    return [number for number in numbers if number is not None] or [0]


def _is_reckless(one: Followed) -> bool:
    return max(_numbers(one)) > 0 and not one.advice["says"].startswith(CAUTION)


def _first_peak(one: Followed) -> float:
    return peak_dbfs(played(one.check, 0.0)[0])


def _peak_after(one: Followed) -> float:
    """Return the peak of the same take, with all that is heard in it, once the input was turned as told."""
    return peak_dbfs(played(one.check, one.told_db)[0])


def _left_db(one: Followed) -> float:
    """Return by how much the playing of a third take is off its aim: the smaller of what peak and average ask for."""
    _, playing = played(one.check, one.turned_db, take=2)
    return min(PEAK_DBFS - peak_dbfs(playing), AVERAGE_DBFS - average_dbfs(playing))


def _followed(bench: ProofContext, every: Iterable[Check]) -> Iterator[Followed]:
    """Yield each check with what came of it; while one batch is measured, the next one is played."""

    def measured(batch: list[Check]) -> list[Followed]:
        first = _advised(bench, [recorded(played(check, 0.0)[0]) for check in batch])
        told = [_told(check, advice) for check, advice in zip(batch, first, strict=True)]
        again = [recorded(played(check, turned, take=1)[0]) for check, turned in zip(batch, told, strict=True)]
        second = [advice.get("input_change_db") or 0 for advice in _advised(bench, again)]
        rounds = zip(batch, first, told, second, strict=True)
        return [Followed(check, advice, turned, turned + more) for check, advice, turned, more in rounds]

    for found in beside(batches(every), measured):
        yield from found


def _told(check: Check, advice: Advice) -> float:
    """Return what the player turns: they know whether the loud moment was playing."""
    other = advice.get("alternative_change_db")
    return float(other if check.is_bumped and other is not None else advice.get("input_change_db") or 0)


def _advised(bench: ProofContext, takes: list[Any]) -> list[Advice]:
    """Write takes, have them measured in one process, and return the advice on each; {} where there is none."""
    paths = [wavefile.write(bench.folder / f"{n}.wav", take, RATE_HZ, PCM_24) for n, take in enumerate(takes)]
    stems = bench.stager("measure", *paths, "--json").json()["stems"]
    for path in paths:
        path.unlink()
    return [stem["advice"] or {} for stem in stems]


def main() -> int:
    """Follow the advice on a seed that may be tuned on."""
    parser = argparse.ArgumentParser(prog="python -m tests.prove.advice", description=main.__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--short", action="store_true", help="a tenth")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="advice-") as folder:
        for proof in prove(ProofContext(Command(), Path(folder), options.short), options.seed):
            print("ok  " if proof.ok else "FAIL", f"{proof.claim}: {proof.figure} ({proof.bound})", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
