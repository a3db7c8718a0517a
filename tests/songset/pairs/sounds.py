"""Invented parts for these tests: plucked notes played by a hand that is never twice the same; numpy alone."""

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
RATE = 16_000


def plucked(seed: int, *, score: int = 7, seconds: float = 12.0, jitter_ms: float = 0.0, rate: int = RATE) -> Values:
    """One performance, (frames,): the score gives pitches and places, the seed phases, levels, decays and timing."""
    written, hand = np.random.default_rng(score), np.random.default_rng(seed)
    out = np.zeros(round(seconds * rate))
    at = np.arange(round(0.5 * rate)) / rate
    for place in np.arange(0.2, seconds - 0.6, 0.25):
        hz = 110.0 * 2 ** (written.integers(0, 24) / 12)
        start = round((place + hand.normal() * jitter_ms / 1000) * rate)
        note = sum(
            np.sin(2 * np.pi * hz * k * (1 + 1e-4 * k * k) * at + hand.uniform(0, 2 * np.pi))
            * np.exp(-at * (3 + k * hand.uniform(0.5, 1.0)))
            * hand.uniform(0.5, 1.0)
            / k
            for k in range(1, 13)
        )
        strike = hand.normal(size=len(at)) * np.exp(-at * 120) * 0.5
        out[start : start + len(at)] += (note + strike) * hand.uniform(0.6, 1.0)
    return 0.1 * out + hand.normal(size=len(out)) * 1e-5


def later(signal: Values, frames: float) -> Values:
    """Move a signal by frames and parts of one, through its transform, in silence at both ends."""
    size = 1 << (len(signal) + 4096).bit_length()
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * frames)
    return np.asarray(np.fft.irfft(np.fft.rfft(signal, size) * turn, size)[: len(signal)], np.float64)
