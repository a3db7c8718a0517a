"""Levels computed a second time, straight from their definitions, with numpy and scipy and without any streaming."""

from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, resample_poly

from tests.support.wavefile import as_frames

Array = NDArray[Any]
SINE_DB: Final = 10 * np.log10(2.0)
"""A full-scale sine's RMS in the AES17 convention reads 0 dB, a full-scale square's +3.01 dB."""


def db(linear: float) -> float:
    """Return a factor in dB."""
    return float(20 * np.log10(linear))


def linear(level_db: float) -> float:
    """Return dB as a factor."""
    return float(10 ** (level_db / 20))


def sample_peak_dbfs(samples: Array) -> float:
    """Return the largest absolute sample in dBFS."""
    return db(float(np.abs(samples).max()))


def ungated_dbfs(samples: Array) -> float:
    """Return the RMS of the loudest channel as it is, AES17."""
    return float(10 * np.log10((as_frames(samples) ** 2).mean(axis=0).max()) + SINE_DB)


@dataclass(frozen=True)
class Average:
    """A gated average in dB (None: nothing passes the gate), and the share of blocks kept."""

    level_db: float | None
    kept: float


def average(
    samples: Array,
    rate_hz: int,
    channels: Literal["loudest", "mean"] = "loudest",
    reference: Literal["sine", "square"] = "sine",
) -> Average:
    """Return the average while a part plays: the gate of ITU-R BS.1770 (Annex 1) on unweighted power, AES17 by default.

    400 ms blocks with edges at round(k * rate / 10), the last 400 ms as one more block where frames follow the last
    whole one, each channel's mean over the file removed, an absolute gate of -70 dBFS (AES17), a relative one of 10 dB.
    """
    powers = block_powers(samples, rate_hz)
    each = [powers.mean(axis=1)] if channels == "mean" else list(powers.T)
    results = [_gated(power) for power in each]
    power, kept = max(results)
    offset = SINE_DB if reference == "sine" else 0.0
    return Average(float(10 * np.log10(power) + offset) if power else None, kept)


def average_dbfs(samples: Array, rate_hz: int) -> float:
    """Return the average of the loudest channel, AES17, of a signal that has one."""
    level = average(samples, rate_hz).level_db
    assert level is not None
    return level


def block_powers(samples: Array, rate_hz: int) -> Array:
    """Return the mean square of each block, (blocks, channels), the channels' means removed."""
    frames = as_frames(samples)
    free = frames - frames.mean(axis=0)
    edges = [round(k * rate_hz / 10) for k in range(len(frames) * 10 // rate_hz + 2)]
    starts = [k for k in range(len(edges) - 4) if edges[k + 4] <= len(frames)]
    blocks = [free[edges[k] : edges[k + 4]] for k in starts]
    if not blocks or edges[starts[-1] + 4] < len(frames):
        blocks.append(free[-edges[4] :] if len(edges) > 4 else free)
    return np.array([(block**2).mean(axis=0) for block in blocks])


def _gated(powers: Array) -> tuple[float, float]:
    above = powers[10 * np.log10(np.maximum(powers, 1e-300)) + SINE_DB >= -70.0]
    if not above.size:
        return 0.0, 0.0
    kept = above[above >= above.mean() / 10.0]
    return float(kept.mean()), kept.size / powers.size


def interpolated_peak(samples: Array, ratio: int) -> Array:
    """Return the peak of each channel at `ratio` times the rate, by a long Kaiser-windowed sinc; silence around."""
    taps = firwin(2 * 64 * ratio + 1, 1 / ratio, window=("kaiser", 9.0))
    padded = np.pad(as_frames(samples), ((64, 64), (0, 0)))
    return np.abs(resample_poly(padded, ratio, 1, axis=0, window=taps)).max(axis=0)


def true_peak_dbtp(samples: Array) -> float:
    """Return the true peak of the loudest channel: the larger of the sample peak and the one 32 times interpolated."""
    return db(max(float(interpolated_peak(samples, 32).max()), float(np.abs(samples).max())))
