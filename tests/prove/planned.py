"""`[[planned]]`: the bus before some parts are recorded, against the bus once they are really there.

Twenty songs of independent parts by numpy: noise that swells, plucked tones and hits. The forecast is asked with some
of the parts planned, then these are put into the song, and the same command measures their real sum.
"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from tests.prove.proof import Proof, ProofContext
from tests.support.direct_sum import Array
from tests.support.song import Song
from tests.support.wavefile import FLOAT

RATE_HZ: Final = 48_000
SONGS: Final = 20
FRAMES: Final = 8 * RATE_HZ
KINDS: Final = ("pad", "lute", "drum")
HITS: Final = '[[role]]\nname = "drum"\nmatch = ["drum*"]\ntarget = { rule = "peak", level_db = -10.0 }\n'


def _part(rng: np.random.Generator, kind: str) -> Array:
    """Return one part, (frames, 1): noise that swells, plucked tones, or hits."""
    t = np.arange(FRAMES) / RATE_HZ
    if kind == "pad":
        return (0.1 * rng.normal(size=FRAMES) * (1.2 + np.sin(2 * np.pi * rng.uniform(0.1, 0.4) * t)))[:, None]
    out, decay = np.zeros(FRAMES), rng.uniform(3.0, 8.0) if kind == "lute" else 30.0
    for start in np.sort(rng.uniform(0.0, 7.8, 24)):
        age = np.maximum(t - start, 0.0)
        pitch = np.sin(2 * np.pi * rng.uniform(80.0, 900.0) * age) if kind == "lute" else rng.normal(size=FRAMES)
        out += rng.uniform(0.2, 0.5) * pitch * np.exp(-decay * age) * (t >= start)
    return out[:, None]


def _range_and_peak(bench: ProofContext, seed: int) -> tuple[float, float, float]:
    """Return the forecast range of a song with planned parts, and the true peak once they are there."""
    song, rng = Song.made(bench.stager, bench.folder / f"planned{seed}"), np.random.default_rng(seed)
    present = [f"{kind}{n}.wav" for kind in KINDS for n in range(int(rng.integers(1, 4)))]
    for name in present:
        song.put(name, _part(rng, name[:4].rstrip("0123456789")), RATE_HZ, FLOAT)
    kinds = [str(rng.choice(KINDS)) for _ in range(int(rng.integers(1, 5)))]
    tables = "".join(f'[[planned]]\nname = "new {n}"\nlike = "{kind}0.wav"\n' for n, kind in enumerate(kinds))
    song.file.write_text(f"version = 1\n{HITS}{tables}", "utf-8")
    found = song.stager("check", song.folder, "--json").json()["planned"]
    song.file.write_text(f"version = 1\n{HITS}", "utf-8")
    for n, kind in enumerate(kinds):
        song.put(f"{kind}_new{n}.wav", _part(rng, kind), RATE_HZ, FLOAT)
    peak = song.stager("check", song.folder, "--json").json()["bus"]["true_peak_dbtp"]
    return found["low_dbtp"], found["high_dbtp"], peak


def prove(bench: ProofContext) -> Iterator[Proof]:
    """In 18 of 20 songs, the true peak with the real parts lies in the forecast range."""
    count = 5 if bench.short else SONGS
    figures = [_range_and_peak(bench, seed) for seed in range(count)]
    inside = sum(low <= peak <= high for low, high, peak in figures)
    widest = max(high - low for low, high, _ in figures)
    yield Proof(
        "planned parts: the real true peak is in the range",
        "real sums of numpy parts",
        "at least 18 of 20",
        f"{inside} of {count}, widest {widest:.1f} dB",
        inside >= 0.9 * count,
    )
