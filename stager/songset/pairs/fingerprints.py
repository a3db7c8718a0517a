"""The fingerprint of a stem: its power in five bands over time, by which sixty stems are compared within seconds.

For each fiftieth of a second the power in five bands, of a mix of the channels, as a byte on a scale of doublings.
A filter moves a band by a constant and a gain moves all of them, so what is compared is how they change from frame to
frame. 4 minutes take 60 kB.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.containers import open_audio

FRAMES_PER_S: Final = 50
"""Frames of a fingerprint a second (own figure: a drum hit is one or two frames long)."""
BAND_EDGES_HZ: Final = (60.0, 220.0, 500.0, 1_200.0, 3_000.0, 7_000.0)
"""Bands of about an octave and a quarter, wide enough for one vowel or one string each (own figure)."""
FLOOR_DOUBLINGS: Final = -36.5
"""Least power distinguished from none, in doublings of full scale (own figure: some 110 dB under it)."""
STEPS_PER_DOUBLING: Final = 6.0
"""A step is a sixth of a doubling of power, about half a decibel (own figure: 255 of them span 128 dB)."""
DEPTH_STEPS: Final = 100
"""How far under a band's loudest frame a level counts, about 50 dB (own figure: under it lies the room)."""
REST_STEPS: Final = 80
"""How far under its usual loud frames a stem counts as resting, about 40 dB (own figure)."""
MATCH_FRAMES: Final = 30_000
"""How much of a fingerprint is matched, its first ten minutes (own figure: bounds the memory for long recordings)."""
CHANNEL_WEIGHT: Final = 0.6
"""What each channel counts against the one before, so that channels that are alike or opposite don't cancel (own
figure)."""
TINY_POWER: Final = 1e-30
LIMIT_POWER: Final = 1e6
"""Power is clipped to these, so that a broken sample doesn't become infinity."""


@dataclass(frozen=True)
class AudioFingerprint:
    """`steps` is (frames, bands), bytes: sixths of a doubling of power over the floor, 0 for less.

    Frame k begins at k / 50 s.
    """

    steps: NDArray[np.uint8]
    duration_s: float
    channels: int

    @property
    def plays(self) -> NDArray[np.bool_]:
        """Whether the stem plays in each frame, (frames,): within 40 dB of its usual loud frames."""
        loudest = self.steps.max(axis=1).astype(np.int64)
        heard = loudest[loudest > 0]
        if not len(heard):
            return np.zeros(len(loudest), np.bool_)
        return np.asarray((loudest > 0) & (loudest >= np.percentile(heard, 95) - REST_STEPS), np.bool_)


@dataclass(frozen=True)
class FingerprintMatch:
    """The correlation of two fingerprints, -1 to 1: `here` without a shift, `best` with the other `lag_s` later."""

    here: float
    best: float
    lag_s: float


def audio_fingerprint(path: Path, *, settle_s: float = 0.0) -> AudioFingerprint:
    """Read a stem from end to end and return its fingerprint.

    Raises:
        StemError: where it can't be read as a whole.
    """
    with open_audio(path, settle_s=settle_s) as file:
        rate, channels = file.info.sample_rate_hz, file.info.channels
        meter = _FingerprintMeter(rate, channels)
        for block in file.blocks():
            meter.update(block)
        return AudioFingerprint(meter.result(), file.info.duration_s, channels)


class _FingerprintMeter:
    """Cuts blocks into frames of a fiftieth of a second; any cut of the blocks gives the same fingerprint."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._size = rate_hz, rate_hz // FRAMES_PER_S
        self._rest, self._weights = np.zeros(0, np.float32), CHANNEL_WEIGHT ** np.arange(channels)
        self._at, self._next = 0, 0
        bins = np.arange(self._size // 2 + 1) * rate_hz / self._size
        self._bands = [slice(*ends) for ends in pairwise(np.searchsorted(bins, BAND_EDGES_HZ).tolist())]
        self._rows: list[NDArray[np.uint8]] = []

    def update(self, block: NDArray[np.float64]) -> None:
        """Take in the next block, (frames, channels)."""
        with np.errstate(over="ignore", invalid="ignore"):
            held = np.concatenate([self._rest, (block @ self._weights).astype(np.float32)])
        end = self._at + len(held)
        count = ((end - self._size) * FRAMES_PER_S) // self._rate_hz + 1
        while self._edge(count - 1) + self._size > end:
            count -= 1
        if count > self._next:
            first = np.array([self._edge(k) for k in range(self._next, count)]) - self._at
            with np.errstate(invalid="ignore", over="ignore"):
                self._rows.append(_steps(self._powers(held[first[:, None] + np.arange(self._size)])))
            self._next = count
        keep = max(0, min(len(held), self._edge(self._next) - self._at))
        self._rest, self._at = held[keep:], self._at + keep

    def _edge(self, frame: int) -> int:
        return (frame * self._rate_hz + FRAMES_PER_S // 2) // FRAMES_PER_S

    def _powers(self, frames: NDArray[np.float32]) -> NDArray[np.float64]:
        """Return the power in each band, (frames, bands), of frames of shape (frames, size)."""
        spectrum = np.fft.rfft(frames, axis=1)
        squared = np.square(spectrum.real) + np.square(spectrum.imag)
        sums = [squared[:, band].sum(axis=1) for band in self._bands]
        return np.asarray(np.stack(sums, axis=1) / self._size**2, np.float64)

    def result(self) -> NDArray[np.uint8]:
        """Return the fingerprint, (frames, bands); a file shorter than a frame has none."""
        return np.concatenate([np.zeros((0, len(self._bands)), np.uint8), *self._rows])


def _steps(power: NDArray[np.float64]) -> NDArray[np.uint8]:
    heard = np.clip(np.nan_to_num(power, nan=0.0), TINY_POWER, LIMIT_POWER)
    doublings = np.log2(heard) - FLOOR_DOUBLINGS
    return np.clip(np.rint(doublings * STEPS_PER_DOUBLING), 0, 255).astype(np.uint8)


def moves(fingerprint: AudioFingerprint) -> NDArray[np.float32]:
    """Return the change of each band's level over three frames, (frames, bands), each band of unit norm or zero."""
    steps = fingerprint.steps[:MATCH_FRAMES].astype(np.float32)
    if len(steps) < 4:
        return np.zeros_like(steps)
    steps = np.maximum(steps, steps.max(axis=0) - DEPTH_STEPS)
    smooth = np.copy(steps)
    smooth[1:-1] = (steps[:-2] + 2.0 * steps[1:-1] + steps[2:]) / 4.0
    change = np.zeros_like(steps)
    change[1:-1] = smooth[2:] - smooth[:-2]
    norm = np.sqrt(np.sum(np.square(change), axis=0))
    return np.asarray(change / np.where(norm > 0.0, norm, 1.0), np.float32)


def spectra(fingerprints: Sequence[AudioFingerprint]) -> NDArray[np.complex64]:
    """Return the transforms of all moves, (fingerprints, bins, bands), padded so that no lag wraps."""
    longest = min(MATCH_FRAMES, max((len(fingerprint.steps) for fingerprint in fingerprints), default=0))
    size = 1 << (2 * max(longest, 2)).bit_length()
    out = np.zeros((len(fingerprints), size // 2 + 1, len(BAND_EDGES_HZ) - 1), np.complex64)
    for row, fingerprint in zip(out, fingerprints, strict=True):
        row[:] = np.fft.rfft(moves(fingerprint), size, axis=0)
    return out


def match(one: NDArray[np.complex64], other: NDArray[np.complex64]) -> FingerprintMatch:
    """Compare two rows of `spectra`, each (bins, bands)."""
    product = np.einsum("kb,kb->k", np.conj(one), other)
    values = np.fft.irfft(product) / one.shape[1]
    near = np.concatenate([values[-3:], values[:4]])
    at = int(np.argmax(values))
    lag = at if at < len(values) // 2 else at - len(values)
    return FingerprintMatch(float(near.max()), float(values[at]), lag / FRAMES_PER_S)
