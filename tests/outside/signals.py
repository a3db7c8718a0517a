"""Test signals, made here: tones with soft ends, the peak cases of EBU Tech 3341, noise, decaying notes."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, lfilter

from tests.outside.levels import linear

Array = NDArray[Any]
RATE: Final = 48_000
TECH_3341_PEAKS: Final = (
    ("EBU Tech 3341 case 15", 1 / 4, 0.50, 0.0, -6.0),
    ("EBU Tech 3341 case 16", 1 / 4, 0.50, 45.0, -6.0),
    ("EBU Tech 3341 case 17", 1 / 6, 0.50, 60.0, -6.0),
    ("EBU Tech 3341 case 18", 1 / 8, 0.50, 67.5, -6.0),
    ("EBU Tech 3341 case 19", 1 / 4, 1.41, 45.0, 3.0),
)
"""Source, tone as a part of the rate, amplitude, phase in degrees, expected true peak in dBTP (+0.2/-0.4)."""


def sine(frequency_hz: float, level_dbfs: float, seconds: float, rate_hz: int = RATE, phase_deg: float = 0.0) -> Array:
    """Give a mono sine whose peak has this level."""
    n = np.arange(round(seconds * rate_hz))
    return linear(level_dbfs) * np.sin(2 * np.pi * frequency_hz * n / rate_hz + np.radians(phase_deg))


def faded(samples: Array, frames: int) -> Array:
    """Give a signal with raised-cosine fades of so many frames at both ends."""
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)
    gain = np.ones(len(samples))
    gain[:frames] *= ramp
    gain[-frames:] *= ramp[::-1]
    return samples * (gain if samples.ndim == 1 else gain[:, None])


def stereo(samples: Array) -> Array:
    """Give the same signal in two channels."""
    return np.column_stack((samples, samples))


def silence(seconds: float, rate_hz: int = RATE) -> Array:
    """Give zeros."""
    return np.zeros(round(seconds * rate_hz))


def tech_3341_peak(part_of_rate: float, amplitude: float, phase_deg: float, fade_s: float = 0.010) -> Array:
    """Give a stereo peak case of EBU Tech 3341 with its 10 ms fades (stated for case 15, needed for all)."""
    tone = amplitude * np.sin(2 * np.pi * part_of_rate * np.arange(RATE) + np.radians(phase_deg))
    return stereo(faded(tone, round(fade_s * RATE)))


def noise(rng: np.random.Generator, rms_dbfs: float, frames: int, channels: int = 1) -> Array:
    """Give Gaussian noise below 0.4 of the rate with this RMS in the AES17 sense, (frames, channels).

    Two interpolators agree on the peaks of a signal only below the band where either of them lets go.
    """
    made = lfilter(firwin(255, 0.8), 1.0, rng.standard_normal((frames + 254, channels)), axis=0)[254:]
    return linear(rms_dbfs) / np.sqrt(2) / made.std() * made


def quiet_notes(rng: np.random.Generator, seconds: float, rate_hz: int = RATE) -> Array:
    """Give decaying notes that begin at -50 to -60 dBFS over noise at -80, mono."""
    out = noise(rng, -80.0, round(seconds * rate_hz))[:, 0]
    for start in np.arange(0.1, seconds - 0.3, 0.7):
        first = round(start * rate_hz)
        n = np.arange(len(out) - first)
        level, pitch, decay_s = rng.uniform(-60, -50), rng.uniform(110, 880), rng.uniform(0.2, 1.0)
        envelope = np.exp(-n / (decay_s * rate_hz)) * np.minimum(1.0, n / 200)
        out[first:] += linear(level) * envelope * np.sin(2 * np.pi * pitch * n / rate_hz)
    return out


def random_part(rng: np.random.Generator, frames: int, channels: int, rate_hz: int) -> Array:
    """Give a signal with pauses, steps of level and a constant part, so that both gates have something to drop."""
    out = np.zeros((frames, channels))
    start = 0
    while start < frames:
        stop = min(frames, start + int(rng.uniform(0.1, 1.2) * rate_hz) + 1)
        n = np.arange(start, stop)[:, None]
        pitch = rng.uniform(0.002, 0.2)
        level = rng.choice([-12.0, -20.0, -28.0, -35.0, -66.0, -90.0]) - rng.uniform(0, 5, channels)
        out[start:stop] = 10 ** (level / 20) * np.sin(2 * np.pi * pitch * n + rng.uniform(0, 6, channels))
        start = stop
    return out + rng.choice([0.0, 0.02]) * rng.uniform(-1, 1, channels)
