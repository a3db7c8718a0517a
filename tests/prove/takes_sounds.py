"""Sounds for the truth about takes, by numpy and scipy alone: one channel each, peak 1, its pitch known.

A sound is made by `(rng, rate_hz, frames, pitch_hz)`; `SOUNDS` lists them with their kind and their range of pitch.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.signal import butter, lfilter, sosfilt

Array = NDArray[Any]
Rng = np.random.Generator
Maker = Callable[[Rng, int, int, float], Array]
TOP_OF_RATE: Final = 0.45
DRUM_MODES: Final = (1.0, 1.59, 2.14, 2.30, 2.65, 2.92)
"""Modes of an ideal membrane over its lowest (zeros of the Bessel functions; from memory)."""
BELL_MODES: Final = (0.5, 1.0, 1.183, 1.506, 2.0, 2.514, 2.662, 3.011)
"""Partials of a tuned bell over its strike note: own figures, near those that textbooks give."""
VOWELS_HZ: Final = ((700.0, 1150.0, 2700.0), (430.0, 800.0, 2600.0), (500.0, 1750.0, 2500.0), (320.0, 2150.0, 2900.0))


def normal(samples: Array) -> Array:
    """Return a signal with its peak at 1."""
    return samples / np.abs(samples).max()


def band(rng: Rng, rate_hz: int, frames: int, low_hz: float, high_hz: float) -> Array:
    """Return noise between two frequencies, RMS 1."""
    sos = butter(2, (low_hz, min(high_hz, TOP_OF_RATE * rate_hz)), "bandpass", fs=rate_hz, output="sos")
    made = sosfilt(sos, rng.standard_normal(frames))
    return made / made.std()


def ends(samples: Array, rate_hz: int, seconds: float = 0.005) -> Array:
    """Fade both ends, (frames,)."""
    n = min(len(samples) // 2, round(seconds * rate_hz))
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n)
    out = samples.copy()
    out[:n] *= ramp
    out[-n:] *= ramp[::-1]
    return out


def _partials(rate_hz: int, pitch_hz: float, most: int) -> int:
    return max(1, min(most, int(TOP_OF_RATE * rate_hz / pitch_hz)))


def _phrase(rng: Rng, rate_hz: int, frames: int, pitch_hz: float, note: Maker, gap_s: tuple[float, float]) -> Array:
    """Place notes of different strength, at this pitch and a few others a little below it; each rings to the end."""
    out, at = np.zeros(frames), round(rng.uniform(0.02, 0.12) * rate_hz)
    while at < frames - 0.1 * rate_hz:
        pitch = pitch_hz * 2.0 ** (-rng.choice([0, 0, 2, 3, 5, 7]) / 12.0)
        made = note(rng, rate_hz, frames - at, pitch)
        out[at : at + len(made)] += rng.uniform(0.3, 1.0) * normal(made)
        at += round(rng.uniform(*gap_s) * rate_hz)
    return normal(ends(out, rate_hz))


def _pluck(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """One string: stiff partials, weak where it was plucked, the high ones dying first."""
    t, place, decay_s = np.arange(frames) / rate_hz, rng.uniform(0.1, 0.4), rng.uniform(0.3, 1.5)
    out = 0.2 * band(rng, rate_hz, frames, 500.0, 9_000.0) * np.exp(-t / 0.004)
    for k in range(1, _partials(rate_hz, pitch_hz, 24) + 1):
        hz = k * pitch_hz * np.sqrt(1.0 + 1e-4 * k * k)
        if hz < TOP_OF_RATE * rate_hz:
            decay = np.exp(-t * (1.0 + 0.15 * k) / decay_s)
            out += np.sin(np.pi * k * place) / k * decay * np.sin(2 * np.pi * hz * t + rng.uniform(0, 0.3))
    return out * np.minimum(1.0, t / 0.002)


def plucked(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A phrase on a plucked string."""
    return _phrase(rng, rate_hz, frames, pitch_hz, _pluck, (0.12, 0.6))


def _drum_hit(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    t, decay_s = np.arange(frames) / rate_hz, rng.uniform(0.08, 0.4)
    bend = pitch_hz * (t + rng.uniform(0.0, 0.02) * (1.0 - np.exp(-t / 0.03)))
    out = np.zeros(frames)
    for k, ratio in enumerate(DRUM_MODES):
        out += rng.uniform(0.3, 1.0) / (1 + k) * np.exp(-t * (1 + k) / decay_s) * np.sin(2 * np.pi * ratio * bend)
    return out + rng.uniform(0.02, 0.5) * band(rng, rate_hz, frames, 800.0, 12_000.0) * np.exp(-t / 0.03)


def drum(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """Hits on a skin, none like another."""
    return _phrase(rng, rate_hz, frames, pitch_hz, _drum_hit, (0.12, 0.5))


def _bell_stroke(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    t, decay_s, out = np.arange(frames) / rate_hz, rng.uniform(0.3, 2.0), np.zeros(frames)
    for ratio in BELL_MODES:
        if ratio * pitch_hz < TOP_OF_RATE * rate_hz:
            decay = np.exp(-t * ratio / decay_s)
            out += rng.uniform(0.3, 1.0) / ratio * decay * np.sin(2 * np.pi * ratio * pitch_hz * t + rng.uniform(0, 6))
    return out * np.minimum(1.0, t / 0.0005)


def bell(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """Strokes on a bell or a bar."""
    return _phrase(rng, rate_hz, frames, pitch_hz, _bell_stroke, (0.15, 0.8))


def _gliding_phase(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """The phase of a hand-made tone: vibrato, and a slow drift."""
    t = np.arange(frames) / rate_hz
    vibrato = rng.uniform(0.1, 0.5) * np.minimum(1.0, t / 0.4) * np.sin(2 * np.pi * rng.uniform(4.5, 6.5) * t)
    drift = rng.uniform(-0.3, 0.3) * np.sin(2 * np.pi * rng.uniform(0.2, 0.7) * t)
    return 2 * np.pi * np.cumsum(pitch_hz * 2.0 ** ((vibrato + drift) / 12.0)) / rate_hz


def _swell(rng: Rng, rate_hz: int, frames: int) -> Array:
    """The envelope of bow or breath: slow in, uneven, slow out."""
    knots = rng.uniform(0.4, 1.0, max(4, frames * 5 // rate_hz))
    knots[[0, -1]] = 0.0
    return np.interp(np.linspace(0, len(knots) - 1, frames), np.arange(len(knots)), knots)


def bowed(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A bowed tone: a saw through a body, with the rustle of the bow."""
    phase, out = _gliding_phase(rng, rate_hz, frames, pitch_hz), np.zeros(frames)
    for k in range(1, _partials(rate_hz, 1.06 * pitch_hz, 30) + 1):
        out += rng.uniform(0.4, 1.0) / k * np.sin(k * phase)
    rustle = rng.uniform(0.005, 0.02) * band(rng, rate_hz, frames, 1_500.0, 8_000.0)
    return normal(ends((normal(out) + rustle) * _swell(rng, rate_hz, frames), rate_hz))


def _throat(at_hz: float, vowel: tuple[float, ...]) -> float:
    near = [gain / (1.0 + ((at_hz - hz) / 120.0) ** 2) for hz, gain in zip(vowel, (1.0, 0.55, 0.35), strict=True)]
    return 0.015 + sum(near)


def _sibilants(rng: Rng, rate_hz: int, frames: int) -> Array:
    hiss, length = np.zeros(frames), round(0.09 * rate_hz)
    for start in np.arange(round(0.2 * rate_hz), frames - length, round(0.7 * rate_hz)):
        shape = np.sin(np.pi * np.arange(length) / length) ** 2
        hiss[start : start + length] = shape * band(rng, rate_hz, length, 4_000.0, 10_000.0)
    return hiss


def sung(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A voice: a source through formants, with vibrato, breath and sibilants."""
    phase, out = _gliding_phase(rng, rate_hz, frames, pitch_hz), np.zeros(frames)
    vowel = VOWELS_HZ[rng.integers(len(VOWELS_HZ))]
    for k in range(1, _partials(rate_hz, 1.06 * pitch_hz, 40) + 1):
        out += _throat(k * pitch_hz, vowel) / k**0.7 * np.sin(k * phase + 0.4 * k)
    breath = rng.uniform(0.005, 0.03) * band(rng, rate_hz, frames, 900.0, 7_000.0)
    voice = (normal(out) + breath) * _swell(rng, rate_hz, frames)
    return normal(ends(voice + rng.uniform(0.02, 0.12) * _sibilants(rng, rate_hz, frames), rate_hz))


def _steady(rng: Rng, rate_hz: int, frames: int) -> Array:
    """The level of a synthesiser: even, or falling slowly."""
    fall_s = rng.choice([np.inf, rng.uniform(0.3, 3.0)])
    return np.exp(-np.arange(frames) / rate_hz / fall_s)


def sine(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A sine."""
    made = np.sin(2 * np.pi * pitch_hz * np.arange(frames) / rate_hz + rng.uniform(0, 6))
    return normal(ends(made * _steady(rng, rate_hz, frames), rate_hz))


def _saw(rate_hz: int, frames: int, pitch_hz: float, start: float) -> Array:
    phase = 2 * np.pi * (pitch_hz * np.arange(frames) / rate_hz + start)
    return sum((np.sin(k * phase) / k for k in range(1, _partials(rate_hz, pitch_hz, 60) + 1)), np.zeros(frames))


def saw(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A saw without aliases, through a soft low-pass or none."""
    made = _saw(rate_hz, frames, pitch_hz, rng.uniform()) * _steady(rng, rate_hz, frames)
    if rng.random() < 0.5:
        made = lfilter(*butter(2, rng.uniform(0.1, 0.7), output="ba"), made)
    return normal(ends(made, rate_hz))


def fm(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """Two operators, the second dying away."""
    t, ratio = np.arange(frames) / rate_hz, rng.choice([0.5, 1.0, 1.41, 2.0, 3.0])
    most = max(0.1, TOP_OF_RATE * rate_hz / (2 * pitch_hz) / ratio - 1.0)
    index = min(most, rng.uniform(0.5, 4.0)) * np.exp(-t / rng.uniform(0.2, 2.0))
    made = np.sin(2 * np.pi * pitch_hz * t + index * np.sin(2 * np.pi * ratio * pitch_hz * t))
    return normal(ends(made * _steady(rng, rate_hz, frames), rate_hz))


def pad(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """Saws a little out of tune with each other, dark and slow."""
    made = sum(_saw(rate_hz, frames, pitch_hz * rng.uniform(0.993, 1.007), rng.uniform()) for _ in range(4))
    dark = lfilter(*butter(2, rng.uniform(0.05, 0.3), output="ba"), made)
    return normal(ends(dark * (0.4 + 0.6 * _swell(rng, rate_hz, frames)), rate_hz, 0.05))


def square(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A square wave: made of partials, or drawn by the sign of a sine."""
    phase = 2 * np.pi * (pitch_hz * np.arange(frames) / rate_hz + rng.uniform())
    if rng.random() < 0.6:
        return np.where(np.sin(phase) >= 0, 1.0, -1.0)
    odd = range(1, _partials(rate_hz, pitch_hz, 99) + 1, 2)
    return normal(sum((np.sin(k * phase) / k for k in odd), np.zeros(frames)))


def pulse(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A pulse wave between 1 and a lower level, minus one or nought."""
    phase = (pitch_hz * np.arange(frames) / rate_hz + rng.uniform()) % 1.0
    return np.where(phase < rng.uniform(0.1, 0.5), 1.0, rng.choice([-1.0, 0.0]))


def crushed(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A synthesiser of few bits that holds each sample for some time."""
    hold, steps = int(rng.integers(3, 12)), 2.0 ** int(rng.integers(3, 7))
    made = np.repeat(saw(rng, rate_hz, frames, pitch_hz)[::hold], hold)[:frames]
    return normal(np.rint(made * steps))


def _cabinet(rng: Rng, rate_hz: int, made: Array) -> Array:
    sos = butter(2, (rng.uniform(60.0, 110.0), rng.uniform(3_500.0, 6_000.0)), "bandpass", fs=rate_hz, output="sos")
    return np.asarray(sosfilt(sos, made))


def _chord(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    return normal(sum(plucked(rng, rate_hz, frames, pitch_hz * ratio) for ratio in (1.0, 1.5)))


def amp_soft(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A valve amplifier that gives way softly, through its cabinet."""
    driven = np.tanh(rng.uniform(2.0, 12.0) * _chord(rng, rate_hz, frames, pitch_hz) + rng.uniform(0.0, 0.4))
    return normal(ends(_cabinet(rng, rate_hz, driven), rate_hz))


def amp_hard(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """An amplifier whose last stage cuts hard, through its cabinet: the tops lean and ring."""
    cut = np.clip(rng.uniform(2.0, 20.0) * _chord(rng, rate_hz, frames, pitch_hz), -1.0, rng.uniform(0.8, 1.0))
    return normal(ends(_cabinet(rng, rate_hz, cut), rate_hz))


def fuzz(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A pedal straight into the desk: no cabinet, rounded shoulders, one side harder than the other."""
    made = rng.uniform(2.0, 8.0) * _chord(rng, rate_hz, frames, pitch_hz)
    return normal(np.tanh(made + 0.2 * made * np.abs(np.tanh(made)) * (made > 0)))


def saturated(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A sound pressed by a smooth curve until it looks like a wall."""
    made = rng.uniform(1.0, 4.0) * _chord(rng, rate_hz, frames, pitch_hz)
    return normal(made / np.sqrt(1.0 + made * made))


def limited(rng: Rng, rate_hz: int, frames: int, pitch_hz: float) -> Array:
    """A sound under a limiter that looks ahead: every loud peak touches one ceiling, and no top is flat."""
    made = 10 ** (rng.uniform(2.0, 10.0) / 20) * _chord(rng, rate_hz, frames, pitch_hz)
    ahead = round(rng.uniform(0.001, 0.004) * rate_hz) * 2 + 1
    lowest = minimum_filter1d(np.minimum(1.0, 1.0 / np.maximum(np.abs(made), 1e-9)), ahead, mode="nearest")
    return normal(ends(made * uniform_filter1d(lowest, ahead, mode="nearest"), rate_hz))


@dataclass(frozen=True)
class Sound:
    """A sound with its kind (natural, synthetic, squareish, driven) and its lowest and highest pitch in Hz."""

    make: Maker
    kind: str
    lowest_hz: float
    highest_hz: float


SOUNDS: Final = {
    "plucked": Sound(plucked, "natural", 40.0, 8_000.0),
    "bowed": Sound(bowed, "natural", 40.0, 4_000.0),
    "drum": Sound(drum, "natural", 30.0, 800.0),
    "bell": Sound(bell, "natural", 150.0, 8_000.0),
    "sung": Sound(sung, "natural", 80.0, 1_200.0),
    "sine": Sound(sine, "synthetic", 30.0, 8_000.0),
    "saw": Sound(saw, "synthetic", 30.0, 8_000.0),
    "fm": Sound(fm, "synthetic", 30.0, 8_000.0),
    "pad": Sound(pad, "synthetic", 40.0, 2_000.0),
    "sub": Sound(sine, "synthetic", 30.0, 80.0),
    "amp soft": Sound(amp_soft, "driven", 80.0, 700.0),
    "amp hard": Sound(amp_hard, "driven", 80.0, 700.0),
    "fuzz": Sound(fuzz, "driven", 80.0, 700.0),
    "saturated": Sound(saturated, "driven", 80.0, 2_000.0),
    "limited": Sound(limited, "driven", 80.0, 2_000.0),
    "square": Sound(square, "squareish", 30.0, 8_000.0),
    "pulse": Sound(pulse, "squareish", 30.0, 4_000.0),
    "crushed": Sound(crushed, "squareish", 30.0, 4_000.0),
}
