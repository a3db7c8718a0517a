"""Short stretches of a stem at one working rate, so that files of any rate and length can be compared.

Resampling goes by the discrete Fourier transform of whole seconds: a stretch of S seconds has S * rate frames at either
rate, the bins up to the band edge are kept and the rest are zero. Source: the band-limited interpolation of a periodic
sequence, any handbook of signal processing; the ends, where the period wraps, lie in the margins and are not judged.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.containers import AudioFile, open_audio

Signal = NDArray[np.float32]
"""One channel at the working rate, (frames,)."""

WORK_RATE_HZ: Final = 16_000
"""Rate at which waveforms are compared (own figure: the parts that tell two performances apart lie under 7 kHz)."""
BAND_EDGE_HZ: Final = 7_000.0
"""Highest frequency kept (own figure: leaves the interpolator an eighth of the band to fall off)."""
CORE_S: Final = 3
"""Seconds of one stretch that are judged (own figure: long against a room, short against a drift of 0.1 %)."""
MARGIN_S: Final = 1
"""Seconds before and after it, for lags and filters to reach into."""
MAX_STRETCHES: Final = 12
"""Stretches a pair is judged by, at most (own figure: 36 s hold some hundred notes)."""
LIMIT: Final = 1000.0
"""Samples are clipped to a thousand times full scale, so that a broken one doesn't outweigh the rest."""
STRETCH_S: Final = CORE_S + 2 * MARGIN_S
CORE: Final = slice(MARGIN_S * WORK_RATE_HZ, (MARGIN_S + CORE_S) * WORK_RATE_HZ)
"""The judged frames of a stretch."""


def read_stretches(path: Path, starts_s: Sequence[float], *, settle_s: float = 0.0) -> list[list[Signal]]:
    """Read stretches of `STRETCH_S` from these places; before and after the file there is silence.

    For each stretch its views are returned, signals of `STRETCH_S * WORK_RATE_HZ` frames: the channel of a mono file;
    left, right and their mean of a stereo file; of more channels the first two and their mean. `starts_s` rise and may
    be negative. NaN counts as silence.

    Raises:
        StemError: where the file can't be read as a whole.
    """
    with open_audio(path, settle_s=settle_s) as file:
        return [_views(stretch, file.info.sample_rate_hz) for stretch in _cut_out(file, starts_s)]


def _cut_out(file: AudioFile, starts_s: Sequence[float]) -> list[NDArray[np.float32]]:
    """Read each stretch by itself; two that overlap are read twice where they do."""
    rate, frames = file.info.sample_rate_hz, file.info.frames
    out = [np.zeros((STRETCH_S * rate, min(2, file.info.channels)), np.float32) for _ in starts_s]
    for start_s, stretch in zip(starts_s, out, strict=True):
        first = round(start_s * rate)
        at, last = max(0, first), min(frames, first + len(stretch))
        for block in file.stretch(at, last) if at < last else ():
            held = np.clip(block[:, : stretch.shape[1]], -LIMIT, LIMIT)
            stretch[at - first : at - first + len(block)] = np.nan_to_num(held, nan=0.0)
            at += len(block)
    return out


def _views(stretch: NDArray[np.float32], rate_hz: int) -> list[Signal]:
    sides = [_to_work_rate(stretch[:, channel], rate_hz) for channel in range(stretch.shape[1])]
    return sides if len(sides) == 1 else [*sides, (sides[0] + sides[1]) / np.float32(2.0)]


def _to_work_rate(signal: Signal, rate_hz: int) -> Signal:
    seconds = len(signal) // rate_hz
    spectrum = np.fft.rfft(signal)
    kept = np.zeros(seconds * WORK_RATE_HZ // 2 + 1, np.complex64)
    edge = round(min(BAND_EDGE_HZ, 0.45 * rate_hz) * seconds)
    kept[1:edge] = spectrum[1:edge]
    return np.fft.irfft(kept, seconds * WORK_RATE_HZ).astype(np.float32) * np.float32(WORK_RATE_HZ / rate_hz)
