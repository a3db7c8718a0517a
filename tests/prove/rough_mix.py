"""A rough mix that lacks one stem of twelve, or two: `check --rough` names them first.

The mixes are made by numpy from stems written by struct: other faders than unity for all, a master that saturates
softly, and a short room over everything, so that no mix is the plain sum. Nothing here uses the package.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.support import wavefile
from tests.support.direct_sum import RATE_HZ, Array, Stem, direct_sum, write_stems
from tests.support.song import Song
from tests.support.wavefile import FLOAT

STEMS: Final = 12
SEEDS: Final = 100
SECONDS: Final = (6.0, 8.0)


def _mixed(rng: np.random.Generator, stems: list[Stem]) -> Array:
    """The sum at another level, softly saturated, with 1 % of a room of 0.2 s."""
    mix = direct_sum(stems) * rng.uniform(0.4, 0.9)
    top = np.abs(mix).max()
    mix = np.tanh(0.5 * mix / top) * 2.0 * top
    size = round(0.2 * RATE_HZ)
    room = rng.normal(size=size) * np.exp(-6.9 * np.arange(size) / size) * 0.01
    wet = [np.fft.irfft(np.fft.rfft(side, 1 << 20) * np.fft.rfft(room, 1 << 20), 1 << 20) for side in mix.T]
    return mix + np.stack(wet, axis=1)[: len(mix)]


def _named(bench: ProofContext, seed: int, gone: int) -> tuple[set[str], list[str]]:
    """Return which stems the mix lacks, and which ones `check --rough` names."""
    song = Song.made(bench.stager, bench.folder / f"rough{gone}_{seed}")
    stems = [replace(s, gain_db=0.0) for s in write_stems(song.inbox, STEMS, seed=seed, seconds=SECONDS)]
    roles = "".join(
        f'[[role]]\nname = "r{n}"\nmatch = ["{s.path.name}"]\npan = {s.pan!r}\n' for n, s in enumerate(stems)
    )
    song.file.write_text(f"version = 1\n{roles}", "utf-8")
    rng = np.random.default_rng(seed)
    out = set(rng.choice(STEMS, gone, replace=False).tolist())
    mix = _mixed(rng, [stem for number, stem in enumerate(stems) if number not in out])
    rough = wavefile.write(song.folder / "rough.wav", mix, RATE_HZ, FLOAT)
    for stem in stems:
        song.rest(stem.path.name)
    found = song.stager("check", song.folder, "--rough", rough, "--json").json()["rough"]
    for stem in stems:
        stem.path.unlink()
    return {stems[number].path.name for number in out}, [each["stem"] for each in found["deviations"]]


def prove(bench: ProofContext) -> Iterator[Proof]:
    """One stem left out is named first; of two left out, both are among the first three."""
    for gone, first, share in ((1, 1, 0.95), (2, 3, 0.90)):
        count = bench.count(SEEDS)
        hits = 0
        for seed in range(count):
            wanted, named = _named(bench, seed, gone)
            hits += wanted <= set(named[:first])
        claim = f"{gone} of {STEMS} stems left out of a rough mix: among the first {first} named"
        yield Proof(claim, "numpy mixes", f"at least {share:.0%}", f"{hits} of {count}", hits >= share * count)
