"""Loudness and VU computed a second time by numpy, in the frequency domain: nothing of the code under test."""

from typing import Any, Final

import numpy as np

from tests.support.signals import Array

PAD_S: Final = 4.0
"""Zeros behind a signal, at least, so that a filter's tail does not come round to its start."""


def _filtered(samples: Array, rate_hz: int, response: Any) -> Array:
    """Filter each channel by a response, a function of z^-1 on the unit circle and of the angular frequency."""
    frames = len(samples)
    padded = 1 << (frames + round(PAD_S * rate_hz)).bit_length()
    angle = 2.0 * np.pi * np.fft.rfftfreq(padded)
    spectrum = np.fft.rfft(samples, padded, axis=0)
    return np.fft.irfft(spectrum * response(np.exp(-1j * angle), angle * rate_hz)[:, None], padded, axis=0)[:frames]


def _k_weighting(rate_hz: int) -> Any:
    def biquad(f0: float, q: float, gains: tuple[float, float, float]) -> Any:
        """Bilinear transform of (g2 s^2 + g1 s / q + g0) / (s^2 + s / q + 1) at f0; gains are (g2, g1, g0)."""
        k = np.tan(np.pi * f0 / rate_hz)

        def at(z: Array) -> Array:
            s = (1.0 - z) / (1.0 + z + 1e-300) / k
            return (gains[0] * s**2 + gains[1] * s / q + gains[2]) / (s**2 + s / q + 1.0)

        return at

    high = 10.0 ** (3.999843853973347 / 20.0)
    shelf = biquad(1681.974450955533, 0.7071752369554196, (high, high**0.4996667741545416, 1.0))
    q, k = 0.5003270373238773, np.tan(np.pi * 38.13547087602444 / rate_hz)
    cut = biquad(38.13547087602444, q, (1.0, 0.0, 0.0))
    undivided = 1.0 + k / q + k * k
    return lambda z, _: shelf(z) * cut(z) * undivided


def _windows(samples: Array, rate_hz: int, seconds: float, hops_per_s: int) -> Array:
    """Mean square of the K-weighted sum in every whole window of so many seconds."""
    power = (_filtered(samples, rate_hz, _k_weighting(rate_hz)) ** 2).sum(axis=1)
    sums = np.concatenate(([0.0], np.cumsum(power)))
    edges = np.rint(np.arange(len(samples) * hops_per_s // rate_hz + 1) * rate_hz / hops_per_s).astype(int)
    hops = round(seconds * hops_per_s)
    return (sums[edges[hops:]] - sums[edges[:-hops]]) / (seconds * rate_hz)


def loudest_lufs(samples: Array, rate_hz: int, seconds: float) -> float:
    """The loudest window, without gates, looked at every 10 ms: 0.4 s for momentary, 3 s for short-term maxima."""
    return float(-0.691 + 10.0 * np.log10(_windows(samples, rate_hz, seconds, 100).max()))


def integrated_lufs(samples: Array, rate_hz: int) -> float | None:
    """Integrated loudness by ITU-R BS.1770-5 Annex 1, every channel of weight 1; None where nothing passes the gates.

    The high-pass numerator is 1, -2, 1 as the standard's table has it, not divided by its a0.
    """
    blocks = _windows(samples, rate_hz, 0.4, 10)
    kept = blocks[-0.691 + 10.0 * np.log10(np.maximum(blocks, 1e-300)) > -70.0]
    if not len(kept):
        return None
    return float(-0.691 + 10.0 * np.log10(kept[kept > kept.mean() / 10.0].mean()))


def kept_blocks(channel: Array, rate_hz: int) -> tuple[Array, Array]:
    """First and last edges of the 400 ms blocks that the gate keeps: -70 dBFS (AES17), then 10 dB under the mean."""
    free = channel - channel.mean()
    sums = np.concatenate(([0.0], np.cumsum(free**2)))
    edges = np.array([round(k * rate_hz / 10) for k in range(len(free) * 10 // rate_hz + 1)])
    first, last = edges[:-4], edges[4:]
    if edges[-1] < len(free):
        first, last = np.append(first, len(free) - edges[4]), np.append(last, len(free))
    power = (sums[last] - sums[first]) / (last - first)
    kept = power >= 10.0**-7.0 / 2.0
    kept &= power >= power[kept].mean() / 10.0
    return first[kept], last[kept]


def vu_dbfs(channel: Array, rate_hz: int) -> float:
    """Mean needle over the kept blocks in dBFS of a sine.

    The needle: IEC 60268-17's 99 % at 300 ms with 1.25 % overshoot as an analogue second-order low-pass (damping
    0.81272, 13.512 rad/s) on the rectified signal, times pi / 2.
    """

    def needle(_: Array, angular: Array) -> Array:
        s = 1j * angular / 13.512
        return 1.0 / (s**2 + 2.0 * 0.81272 * s + 1.0)

    deflection = _filtered(np.abs(channel)[:, None] * np.pi / 2.0, rate_hz, needle)[:, 0]
    sums = np.concatenate(([0.0], np.cumsum(deflection)))
    first, last = kept_blocks(channel, rate_hz)
    return float(20.0 * np.log10(np.mean((sums[last] - sums[first]) / (last - first))))
