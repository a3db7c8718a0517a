"""Test signals, made here: tones with soft ends, the peak cases of EBU Tech 3341, noise, decaying notes."""

from collections.abc import Iterable
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import firwin, lfilter

from tests.support.reference_levels import linear
from tests.support.wavefile import as_frames

Array = NDArray[Any]
Samples = NDArray[np.float64]
Parts = list[tuple[float, float | None]]
"""(seconds, level in dBFS or None for silence) one after another."""
RATE: Final = 48_000
MASK_5_0: Final = 0x37
MASK_5_0_SIDES: Final = 0x607
MASK_5_1: Final = 0x3F
"""Speakers of an extensible header: front left, right, centre, (low frequency), two surrounds."""
LOW_PASS_TAPS: Final = 511
TECH_3341_PEAKS: Final = (
    ("EBU Tech 3341 case 15", 1 / 4, 0.50, 0.0, -6.0),
    ("EBU Tech 3341 case 16", 1 / 4, 0.50, 45.0, -6.0),
    ("EBU Tech 3341 case 17", 1 / 6, 0.50, 60.0, -6.0),
    ("EBU Tech 3341 case 18", 1 / 8, 0.50, 67.5, -6.0),
    ("EBU Tech 3341 case 19", 1 / 4, 1.41, 45.0, 3.0),
)
"""Source, tone as a part of the rate, amplitude, phase in degrees, expected true peak in dBTP (+0.2/-0.4)."""


def sine(frequency_hz: float, level_dbfs: float, seconds: float, rate_hz: int = RATE, phase_deg: float = 0.0) -> Array:
    """Return a mono sine whose peak has this level."""
    block = sine_block(frequency_hz, seconds, rate_hz=rate_hz, peak=linear(level_dbfs), phase=np.radians(phase_deg))
    return block[:, 0]


def faded(samples: Array, frames: int) -> Array:
    """Return a signal with raised-cosine fades of so many frames at both ends."""
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)
    gain = np.ones(len(samples))
    gain[:frames] *= ramp
    gain[-frames:] *= ramp[::-1]
    return samples * (gain if samples.ndim == 1 else gain[:, None])


def stereo(samples: Array) -> Array:
    """Return the same signal in two channels."""
    return np.column_stack((samples, samples))


def frames_of(values: ArrayLike) -> Samples:
    """Return an array as (frames, channels) float64; one dimension becomes one channel."""
    return as_frames(values).copy()


def sine_block(hz: float, seconds: float, *, rate_hz: int = 48_000, peak: float = 1.0, phase: float = 0.0) -> Samples:
    """One channel of a sine."""
    at = np.arange(round(seconds * rate_hz)) / rate_hz
    return frames_of(peak * np.sin(2 * np.pi * hz * at + phase))


def white_noise(frames: int, channels: int = 1, *, seed: int = 1, rms: float = 0.1) -> Samples:
    """White Gaussian noise, held inside full scale."""
    return np.clip(np.random.default_rng(seed).normal(0.0, rms, (frames, channels)), -0.99, 0.99)


def cut(block: Samples, edges: Iterable[int]) -> list[Samples]:
    """Cut a signal at these frames; each part is a copy, so that a meter may write into it."""
    inner = sorted({edge for edge in edges if 0 < edge < len(block)})
    bounds = [0, *inner, len(block)]
    return [block[start:stop].copy() for start, stop in pairwise(bounds)]


def silence(seconds: float, rate_hz: int = RATE) -> Array:
    """Return zeros."""
    return np.zeros(round(seconds * rate_hz))


def tech_3341_peak(part_of_rate: float, amplitude: float, phase_deg: float, rate_hz: int = RATE) -> Array:
    """Return EBU Tech 3341 cases 15 to 19: a stereo tone of this part of the rate, 1 s, with fades of 10 ms.

    The fades are stated for case 15; the others need them too: an abrupt start truly overshoots (case 17 then reads
    -5.6 dBTP).
    """
    tone = amplitude * np.sin(2 * np.pi * part_of_rate * np.arange(rate_hz) + np.radians(phase_deg))
    return stereo(faded(tone, rate_hz // 100))


def burst(rate_hz: int, offset: int) -> Array:
    """Return EBU Tech 3341 cases 20 to 23: a tone of a sixth of the rate, one period of a quarter of it within.

    Made at four times the rate, where the burst of twice the amplitude starts and ends at upward zero crossings of the
    tone; low-passed at half the rate by a Blackman-windowed sinc; decimated from the offset on.
    """
    slow, fast = 24, 16
    before = rate_hz // 3 // 6 * slow
    at = np.arange(before)
    lead = 0.5 * np.sin(2.0 * np.pi * at / slow)
    high = np.concatenate((lead, np.sin(2.0 * np.pi * np.arange(fast) / fast), lead))
    place = np.arange(LOW_PASS_TAPS) - LOW_PASS_TAPS // 2
    taps = np.sinc(place / 4.0) * np.blackman(LOW_PASS_TAPS)
    low = np.convolve(high, taps / taps.sum(), "same")[offset::4]
    return stereo(faded(low, rate_hz // 100))


def stepped_tone(rate_hz: int, parts: Parts, hz: float = 1000.0) -> Array:
    """Return a mono sine, of a multiple of 1 Hz, that steps from level to level."""
    lengths = [round(seconds * rate_hz) for seconds, _ in parts]
    factors = [0.0 if level is None else 10.0 ** (level / 20.0) for _, level in parts]
    second = np.sin(2.0 * np.pi * hz / rate_hz * np.arange(rate_hz))
    return np.resize(second, sum(lengths)) * np.repeat(factors, lengths)


def band_limited_noise(rng: np.random.Generator, rms_dbfs: float, frames: int, channels: int = 1) -> Array:
    """Return Gaussian noise below 0.4 of the rate with this RMS in the AES17 sense, (frames, channels).

    Two interpolators agree on the peaks of a signal only below the band where either of them lets go.
    """
    made = lfilter(firwin(255, 0.8), 1.0, rng.standard_normal((frames + 254, channels)), axis=0)[254:]
    return linear(rms_dbfs) / np.sqrt(2) / made.std() * made


def quiet_notes(rng: np.random.Generator, seconds: float, rate_hz: int = RATE) -> Array:
    """Return decaying notes that begin at -50 to -60 dBFS over noise at -80, mono."""
    out = band_limited_noise(rng, -80.0, round(seconds * rate_hz))[:, 0]
    for start in np.arange(0.1, seconds - 0.3, 0.7):
        first = round(start * rate_hz)
        n = np.arange(len(out) - first)
        level, pitch, decay_s = rng.uniform(-60, -50), rng.uniform(110, 880), rng.uniform(0.2, 1.0)
        envelope = np.exp(-n / (decay_s * rate_hz)) * np.minimum(1.0, n / 200)
        out[first:] += linear(level) * envelope * np.sin(2 * np.pi * pitch * n / rate_hz)
    return out


def random_part(rng: np.random.Generator, frames: int, channels: int, rate_hz: int) -> Array:
    """Return a signal with pauses, steps of level and a constant part, so that both gates have something to drop."""
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
