"""True peaks at the edges: beside the exact waveform, and beside what a usual linear-phase converter shows.

Exact is the band-limited waveform through all samples of a file with silence around it, read at 64 times the rate from
its Fourier transform. The converter is a linear-phase low-pass filter as data sheets give it: pass band up to 0.4535 of
the rate, stop band from 0.5465, 110 dB (common practice, from memory), designed by scipy's Kaiser method. Nothing here
uses the package.
"""

from collections.abc import Callable, Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, kaiserord, upfirdn

from tests.prove.proof import Proof, ProofContext
from tests.support import wavefile
from tests.support.wavefile import DOUBLE

Array = NDArray[np.float64]
RATE_HZ: Final = 48_000
FRAMES: Final = 3_000
A_CLASS: Final = 75
"""Signals of each class; eight classes make 600."""
TIMES: Final = 64
MOST_SILENCE: Final = 20_000
"""Frames of silence around a signal, at most: a wave so far away is 90 dB down (arithmetic: 1 / pi n)."""
CONVERTER_TIMES: Final = 16
PASS, STOP, STOP_DB = 0.4535, 0.5465, 110.0
CONVERTER_DB: Final = 0.1
"""A usual linear-phase converter shows at most so much more than the meter, anywhere."""


def exact_peak(signal: Array, times: int = TIMES) -> float:
    """Return the peak of the band-limited waveform through the samples, silence before and behind them."""
    padded = np.pad(signal, min(len(signal), MOST_SILENCE))
    size = 1 << (len(padded) - 1).bit_length()
    spectrum = np.fft.rfft(padded, size)
    spectrum[-1] *= 0.5
    return float(np.abs(np.fft.irfft(spectrum, times * size)).max() * times)


def _converter() -> Array:
    count, beta = kaiserord(STOP_DB, 2.0 * (STOP - PASS) / CONVERTER_TIMES)
    return np.asarray(firwin(count | 1, (PASS + STOP) / CONVERTER_TIMES, window=("kaiser", beta)) * CONVERTER_TIMES)


CONVERTER: Final = _converter()


def converter_peak(signal: Array) -> float:
    """Return the peak of what a linear-phase converter shows of a signal."""
    return float(np.abs(upfirdn(CONVERTER, signal, CONVERTER_TIMES)).max())


def _faded(signal: Array, frames: int = 600) -> Array:
    fade = 0.5 - 0.5 * np.cos(np.pi * np.arange(frames) / frames)
    made = signal.copy()
    made[:frames] *= fade
    made[-frames:] *= fade[::-1]
    return made


def _tone(rng: np.random.Generator, low: float, high: float) -> Array:
    phase = 2.0 * np.pi * rng.uniform(low, high) * np.arange(FRAMES) + rng.uniform(0.0, 2.0 * np.pi)
    return _faded(np.sin(phase), int(rng.integers(600, 1_400)))


def _burst(rng: np.random.Generator) -> Array:
    made, first = np.zeros(FRAMES), int(rng.integers(500, 1_000))
    frames = int(rng.integers(20, 900))
    made[first : first + frames] = np.sin(2.0 * np.pi * rng.uniform(0.01, 0.45) * np.arange(frames) + rng.uniform(0, 6))
    return made


def _sung(rng: np.random.Generator) -> Array:
    """Return a buzz through three resonances, as a voice is, or notes that die away; clipped by 3 to 12 dB."""
    t, hz = np.arange(FRAMES) / RATE_HZ, rng.uniform(80.0, 400.0)
    partials = [(k, np.exp(-t * rng.uniform(0.0, 40.0)) / k**0.8) for k in range(1, int(18_000 / hz))]
    made = sum(level * np.sin(2.0 * np.pi * hz * k * t + rng.uniform(0.0, 6.3)) for k, level in partials)
    made = _faded(np.asarray(made), 100)
    most = np.abs(made).max() * 10.0 ** (-rng.uniform(3.0, 12.0) / 20.0)
    return np.clip(made, -most, most)


def _square(rng: np.random.Generator) -> Array:
    return np.sign(np.sin(2.0 * np.pi * rng.uniform(0.002, 0.1) * np.arange(FRAMES) + rng.uniform(0.0, 6.3)))


def _impulses(rng: np.random.Generator) -> Array:
    made = np.zeros(FRAMES)
    made[rng.integers(300, FRAMES - 300, int(rng.integers(1, 30)))] = rng.choice([-1.0, 1.0])
    return made


CLASSES: Final[dict[str, tuple[Callable[[np.random.Generator], Array], float, float]]] = {
    "faded tones to 0.45 of the rate": (lambda rng: _tone(rng, 0.001, 0.45), -0.012, 0.012),
    "faded tones from 0.45 to 0.499": (lambda rng: _tone(rng, 0.45, 0.499), -0.1, 0.012),
    "bursts": (_burst, -0.2, 0.2),
    "white noise": (lambda rng: rng.standard_normal(FRAMES), -1.6, 0.5),
    "random signs": (lambda rng: rng.choice([-1.0, 1.0], FRAMES), -1.6, 0.5),
    "clipped sound": (_sung, -0.2, 0.2),
    "square waves": (_square, -1.6, 0.5),
    "impulses": (_impulses, -0.2, 0.2),
}
"""How each class is made, and how far the meter may lie under and over the exact peak, dB, as `measures.md` says."""


def prove(bench: ProofContext) -> Iterator[Proof]:
    """Measure every class in one file, a channel a signal, and compare with both."""
    rng = np.random.default_rng(4_535)
    above = []
    for number, (name, (make, under_db, over_db)) in enumerate(CLASSES.items()):
        signals = [0.5 * made / np.abs(made).max() for made in (make(rng) for _ in range(bench.count(A_CLASS)))]
        found = _measured(bench, f"class{number}", signals)
        off = found - _db([exact_peak(signal) for signal in signals])
        above.append(_db([converter_peak(signal) for signal in signals]) - found)
        figure = f"{off.min():+.3f} to {off.max():+.3f} dB, converter {above[-1].max():+.3f}"
        holds = bool(off.min() >= under_db and off.max() <= over_db)
        source = f"Fourier transform of the whole file, {TIMES}x"
        yield Proof(f"true peak of {len(signals)} {name}", source, f"{under_db:+g} to {over_db:+g} dB", figure, holds)
    most = float(max(part.max() for part in above))
    source = f"scipy, Kaiser: pass {PASS}, stop {STOP}, {STOP_DB:g} dB"
    claim = "a linear-phase converter shows more than the meter, at most"
    yield Proof(claim, source, f"{CONVERTER_DB} dB", f"{most:+.3f} dB", most <= CONVERTER_DB)


def _db(linear: list[float]) -> Array:
    return np.asarray(20.0 * np.log10(np.array(linear)), np.float64)


def _measured(bench: ProofContext, name: str, signals: list[Array]) -> Array:
    """Return the true peak of each signal in dBTP, measured as mono files by the installed command."""
    files = [
        wavefile.write(bench.folder / f"{name}_{number}.wav", signal[:, None], RATE_HZ, DOUBLE)
        for number, signal in enumerate(signals)
    ]
    stems = bench.stager("measure", *files, "--json").json()["stems"]
    return np.array([stem["levels"]["true_peak_dbtp"] for stem in stems])
