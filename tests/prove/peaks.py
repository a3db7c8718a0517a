"""True peaks of random signals against a long Kaiser-windowed sinc at 32 times the rate."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, lfilter

from tests.prove.proof import Proof, ProofContext
from tests.support import reference_levels, wavefile
from tests.support.wavefile import DOUBLE

FRAMES, CHANNELS = 6_000, 10
UNDER_DB, OVER_DB = -0.05, 0.02
SOURCE = "32x sinc of 4097 taps, Kaiser 9 (scipy), signals below 0.45 of the rate"


def _signals(rng: np.random.Generator) -> NDArray[np.float64]:
    """Noise of ten widths and shapes, each below 0.45 of the rate, with soft ends."""
    parts = []
    for _ in range(CHANNELS):
        shape = rng.choice(["gaussian", "uniform", "sparse"])
        raw = rng.standard_normal(FRAMES) if shape == "gaussian" else rng.uniform(-1, 1, FRAMES)
        raw *= rng.random(FRAMES) < (0.01 if shape == "sparse" else 1.0)
        parts.append(lfilter(firwin(511, rng.uniform(0.1, 0.88), window=("kaiser", 9.0)), 1.0, raw))
    made = np.column_stack(parts)
    return 0.5 * made / np.abs(made).max(axis=0)


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Measure all of them in one run and look at the largest error on each side."""
    rng = np.random.default_rng(200)
    files, expected = [], []
    for number in range(bench.count(200) // CHANNELS):
        signal = _signals(rng)
        files.append(wavefile.write(bench.folder / f"{number}.wav", signal, 48_000, DOUBLE))
        expected.append(np.maximum(reference_levels.interpolated_peak(signal, 32), np.abs(signal).max(axis=0)))
    stems = bench.stager("measure", *files, "--json").json()["stems"]
    found = [[channel["true_peak_dbtp"] for channel in stem["levels"]["per_channel"]] for stem in stems]
    errors = np.array(found) - 20 * np.log10(np.array(expected))
    what = f"true peak of {errors.size} random signals"
    low, high = float(errors.min()), float(errors.max())
    yield Proof(f"{what}, most under", SOURCE, f"at least {UNDER_DB} dB", f"{low:+.4f} dB", low >= UNDER_DB)
    yield Proof(f"{what}, most over", SOURCE, f"at most +{OVER_DB} dB", f"{high:+.4f} dB", high <= OVER_DB)
