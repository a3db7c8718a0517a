"""Hundreds of stems of a second: what each costs beside its sound.

Per stem: the wall of a run over all of them less that of a run over one, divided by their difference in number, so that
starting the program and closing the project are left out. The overhead is that, less the same figure of a plain copy:
one Python process that reads, hashes, writes, syncs and hashes one after the other. So the meters' own work counts as
overhead, and so do sidecar, ledger, tables and the syncs of folders. With two workers ours has two hands and the plain
copy one, which flatters the difference: the raw figures stand beside it.
"""

import shutil
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from tests.bench.kinds import KINDS, RATE_HZ, Samples
from tests.bench.rows import TIMES, Row, alone, compared_figures
from tests.bench.stems import Room, Stems
from tests.bench.timing import Cost, Failed, in_turn, run, warm

MOST_ROUNDS: Final = 3
PLAIN: Final = Path(__file__).with_name("plain_copy.py")


def bench(room: Room) -> Iterator[Row | str]:
    """Compare one worker and two with plain copies."""
    count = 2_000 if room.full else 500
    many, one = Stems.made(room.folder / "many", _seconds(count)), Stems.made(room.folder / "one", _seconds(1))
    warm([*many.paths, *one.paths])
    works = [
        lambda stems=stems, work=work: work(stems) for work in (_with_one, _with_two, _plain) for stems in (many, one)
    ]
    rounds = min(room.rounds, MOST_ROUNDS)
    yield f"{count} stems (2000 with --full) of 1 s, stereo, 48 kHz, 24 bits; {rounds} rounds."
    costs = in_turn(rounds, *works)
    with_one, with_two, plain = (_per_stem_ms(costs[at], costs[at + 1], count) for at in (0, 2, 4))
    for hands, ours in (("1 worker", with_one), ("2 workers", with_two)):
        work = f"stage {count} {TIMES} 1 s, {hands}"
        yield compared_figures(f"{work}, a stem", "plain safe copy", "ms", ours, plain)
        over = [our - their for our, their in zip(ours, plain, strict=True)]
        yield alone(f"{work}, overhead a stem", "ms", over, bound=8.0, against="less the plain copy")


def _seconds(count: int) -> Iterator[tuple[str, Samples]]:
    """Yield stems of a second out of all four kinds, each begun where a phrase is under way."""
    rng = np.random.default_rng(48)
    made = [kind(rng, 240) for kind in KINDS.values()]
    for number in range(count):
        first = (number // 4 * 3 % 234) * RATE_HZ + number
        yield f"{number:04d}.wav", made[number % 4][first : first + RATE_HZ]


def _per_stem_ms(many: Sequence[Cost], one: Sequence[Cost], count: int) -> list[float]:
    return [1000 * (all_.wall_s - single.wall_s) / (count - 1) for all_, single in zip(many, one, strict=True)]


def _with_one(stems: Stems) -> Cost:
    return stems.staged("--jobs", "1")


def _with_two(stems: Stems) -> Cost:
    return stems.staged("--jobs", "2")


def _plain(stems: Stems) -> Cost:
    copies = stems.folder / "other"
    stems.clear()
    shutil.rmtree(copies, ignore_errors=True)
    copies.mkdir()
    cost = run([sys.executable, "-I", "-S", PLAIN, copies, *stems.paths], log=stems.folder / "plain")
    if len(list(copies.iterdir())) != len(stems.paths):
        raise Failed("the plain copy left something out")
    return cost
