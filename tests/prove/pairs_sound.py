"""What happens to a sound on its way to a file, for the truth about pairs: delay, tone, room, microphone, amplifier.

By numpy and scipy alone; signals are (frames, channels), but for performances, which are (radiators, frames).
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import bilinear, butter, fftconvolve, lfilter, resample_poly, sosfilt

Array = NDArray[Any]
Rng = np.random.Generator
OVER_SAMPLING: Final = 4
"""A distortion is worked out at so many times the rate, as air and valves have none."""


def delayed(samples: Array, frames: float) -> Array:
    """Return a signal so many frames later, cut at its old length; a part of a frame by a phase that is linear."""
    whole = int(np.floor(frames))
    rest = frames - whole
    moved = samples
    if rest > 0.0:
        length = 2 ** int(np.ceil(np.log2(len(samples) + 4096)))
        turn = np.exp(-2j * np.pi * np.fft.rfftfreq(length) * rest)
        moved = np.fft.irfft(np.fft.rfft(samples, length, axis=0) * turn[:, None], length, axis=0)[: len(samples)]
    return np.concatenate((np.zeros((whole, samples.shape[1])), moved))[: len(samples)]


def stretched(samples: Array, up: int, down: int) -> Array:
    """Return a signal `up` / `down` times as long, its pitch lowered with it."""
    return np.asarray(resample_poly(samples, up, down, axis=0))


def _bell(rate_hz: int, hz: float, gain_db: float) -> tuple[Array, Array]:
    """Return the coefficients of one bell of an equaliser, its width an octave or so."""
    q, strong, w = 1.0, 10 ** (abs(gain_db) / 40), 2 * np.pi * hz
    wide, narrow = [1.0, w * strong / q, w * w], [1.0, w / (strong * q), w * w]
    high, low = (wide, narrow) if gain_db > 0 else (narrow, wide)
    b, a = bilinear(high, low, fs=rate_hz)
    return np.asarray(b), np.asarray(a)


def toned(rng: Rng, samples: Array, rate_hz: int, instrument: str) -> Array:
    """Equalise: two bells, a low cut, or a high cut, where the instrument has something to lose and to keep."""
    form = rng.choice(["bells", "low cut", "high cut"])
    lowest, highest = {"bass": (40.0, 3_000.0), "drum": (50.0, 6_000.0), "shaker": (1_000.0, 9_000.0)}.get(
        instrument, (120.0, 5_000.0)
    )
    if form == "bells":
        made = samples
        for hz in (rng.uniform(1.5, 3.0) * lowest, rng.uniform(0.3, 0.8) * highest):
            made = lfilter(*_bell(rate_hz, hz, rng.choice([-1, 1]) * rng.uniform(3.0, 9.0)), made, axis=0)
        return made
    at_hz = lowest * rng.uniform(1.0, 2.0) if form == "low cut" else highest * rng.uniform(0.7, 1.5)
    sos = butter(2, at_hz, "highpass" if form == "low cut" else "lowpass", fs=rate_hz, output="sos")
    return np.asarray(sosfilt(sos, samples, axis=0))


def hiss(rng: Rng, shape: tuple[int, ...], level_dbfs: float) -> Array:
    """Return noise darker than white, another in each channel; RMS in dBFS (AES17)."""
    white = rng.standard_normal((shape[0] + 1, shape[1]))
    dark = white[1:] + 0.7 * white[:-1]
    return 10 ** (level_dbfs / 20) / np.sqrt(2) * dark / dark.std()


def with_room(rng: Rng, samples: Array, rate_hz: int, level_db: float) -> Array:
    """Add a room: noise that decays, 3 to 12 ms after the sound, its RMS so many dB against the sound's."""
    decay_s, wait = rng.uniform(0.03, 0.12), round(rng.uniform(0.003, 0.012) * rate_hz)
    t = np.arange(round(6 * decay_s * rate_hz)) / rate_hz
    answer = rng.standard_normal((len(t), samples.shape[1])) * np.exp(-t / decay_s)[:, None]
    wet = fftconvolve(np.concatenate((np.zeros((wait, samples.shape[1])), samples)), answer, axes=0)[: len(samples)]
    dark = sosfilt(butter(1, rng.uniform(3_000.0, 8_000.0), "lowpass", fs=rate_hz, output="sos"), wet, axis=0)
    return samples + dark * (10 ** (level_db / 20) * samples.std() / dark.std())


def recorded(rng: Rng, radiators: Array, channels: int) -> Array:
    """Record a performance from near by: one channel, or two that hear the radiators from two sides."""
    gains = np.ones((1, len(radiators)))
    if channels > 1:
        gains = np.array([[1.0, 0.75, 0.45], [0.45, 0.75, 1.0]])
    made = (gains @ radiators).T
    return made + hiss(rng, made.shape, rng.uniform(-82.0, -66.0))


def microphone(rng: Rng, radiators: Array, rate_hz: int, room_db: float) -> Array:
    """Put up a microphone: its own place before each radiator, its own tone, room and noise, (frames, 1)."""
    made = np.zeros((radiators.shape[1], 1))
    for radiator in radiators:
        gain = 10 ** (rng.uniform(-4.0, 4.0) / 20)
        made += gain * delayed(radiator[:, None], rng.uniform(0.0, 0.0003) * rate_hz)
    for hz in (rng.uniform(150.0, 600.0), rng.uniform(1_500.0, 6_000.0)):
        made = lfilter(*_bell(rate_hz, hz, rng.uniform(-5.0, 5.0)), made, axis=0)
    made = with_room(rng, made, rate_hz, room_db)
    made /= np.abs(made).max()
    return made + hiss(rng, made.shape, rng.uniform(-75.0, -58.0))


def amplifier(rng: Rng, line: Array, rate_hz: int) -> Array:
    """Drive an amplifier with a line and listen to its cabinet: a curve without memory, then a band, a room, noise."""
    over = resample_poly(line / np.abs(line).max(), OVER_SAMPLING, 1, axis=0)
    driven = np.tanh(rng.uniform(6.0, 20.0) * over + rng.uniform(0.1, 0.5))
    sos = butter(2, (rng.uniform(70.0, 120.0), rng.uniform(3_500.0, 6_000.0)), "bandpass", fs=rate_hz, output="sos")
    cabinet = sosfilt(sos, resample_poly(driven - driven[0], 1, OVER_SAMPLING, axis=0), axis=0)
    made = with_room(rng, cabinet / np.abs(cabinet).max(), rate_hz, rng.uniform(-24.0, -14.0))
    return made + hiss(rng, made.shape, rng.uniform(-65.0, -50.0))


def levelled(rng: Rng, first: Array, second: Array) -> tuple[Array, Array]:
    """Bring both under full scale by one gain, so that their difference in level stays."""
    highest = max(float(np.abs(first).max()), float(np.abs(second).max()))
    gain = 10 ** (-rng.uniform(1.0, 12.0) / 20) / highest
    return gain * first, gain * second
