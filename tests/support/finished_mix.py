"""A finished mix of chords, bass and strokes, made here, and fifteen faults that can be put into it."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
RATE: Final = 48_000
LENGTH_S: Final = 20.0
PEAK: Final = 10 ** (-3.0 / 20)


def clean(seed: int = 1) -> Array:
    """Return a mix, (frames, 2): it starts in silence, fades out within 3 s to nothing, and peaks at -3 dBFS."""
    rng = np.random.default_rng(seed)
    n = round(LENGTH_S * RATE)
    t = np.arange(n) / RATE
    out = np.zeros((n, 2))
    for root_hz, pan in ((110.0, 0.5), (164.8, 0.35), (220.0, 0.65), (277.2, 0.4), (329.6, 0.6)):
        swell = 0.6 + 0.4 * np.sin(2 * np.pi * rng.uniform(0.2, 0.5) * t + rng.uniform(0, 6))
        tone = sum(np.sin(2 * np.pi * root_hz * k * t + rng.uniform(0, 6)) / k**1.5 for k in range(1, 12)) * swell
        out += 0.2 * np.outer(tone, (np.cos(pan * np.pi / 2), np.sin(pan * np.pi / 2)))
    for at_s in np.arange(0.5, LENGTH_S - 4.0, 0.5):
        frames = round(0.2 * RATE)
        stroke = (
            rng.normal(size=frames) * np.exp(-np.arange(frames) / (0.03 * RATE)) * np.minimum(1, np.arange(frames) / 96)
        )
        first = round(at_s * RATE)
        out[first : first + frames] += 0.25 * stroke[:, None] * (1.0, 0.9)
    fade = np.minimum(1.0, np.clip(t - 0.02, 0, None) / 0.2) * np.clip((LENGTH_S - 0.3 - t) / 3.0, 0, 1) ** 2
    out *= fade[:, None]
    return out * (PEAK / np.abs(out).max())


def _left_out(mix: Array) -> Array:
    out = mix.copy()
    ramp = np.linspace(1, 0, 4_800)
    first, last = 6 * RATE, 10 * RATE
    out[first : first + 4_800, 0] *= ramp
    out[first + 4_800 : last, 0] = 0.0
    out[last : last + 4_800, 0] *= ramp[::-1]
    return out


def _cancelling(mix: Array) -> Array:
    """The middle of the spectrum, as a voice, turned round on the right."""
    spectrum = np.fft.rfft(mix[:, 1])
    hz = np.fft.rfftfreq(len(mix), 1 / RATE)
    spectrum[(hz > 500) & (hz < 2_000)] *= -1
    out = mix.copy()
    spectrum_left = np.fft.rfft(mix[:, 0])
    band = (hz > 500) & (hz < 2_000)
    spectrum[band] = -spectrum_left[band]
    out[:, 1] = np.fft.irfft(spectrum, len(mix))
    return out * PEAK / np.abs(out).max()


def _lost(mix: Array) -> Array:
    out = mix.copy()
    out[8 * RATE : 8 * RATE + 960] = 0.0
    return out


def _hum(mix: Array, level: float = 0.002) -> Array:
    t = np.arange(len(mix)) / RATE
    hum = level * (np.sin(2 * np.pi * 50 * t) + 0.5 * np.sin(2 * np.pi * 100 * t) + 0.3 * np.sin(2 * np.pi * 150 * t))
    return mix + hum[:, None] * np.minimum(1, t / 0.2)[:, None]


def _noise(mix: Array) -> Array:
    t = np.arange(len(mix)) / RATE
    return mix + 0.001 * np.random.default_rng(9).normal(size=mix.shape) * np.minimum(1, t / 0.2)[:, None]


def _not_finite(mix: Array) -> Array:
    out = mix.copy()
    out[5 * RATE, 0] = np.nan
    return out


FAULTS: Final[dict[str, tuple[Callable[[Array], Array], frozenset[str], float | None]]] = {
    "clipped at full scale": (lambda mix: np.clip(3.0 * mix, -1, 1), frozenset({"clipped"}), None),
    "peaks at -0.2 dBFS": (lambda mix: mix * 10 ** (2.8 / 20), frozenset({"peak_over_delivery"}), None),
    "the middle is lost in mono": (_cancelling, frozenset({"mono_loss", "sides_cancel"}), None),
    "3 s of silence first": (lambda mix: np.vstack((np.zeros((3 * RATE, 2)), mix)), frozenset({"silence_before"}), 0.0),
    "8 s of silence last": (lambda mix: np.vstack((mix, np.zeros((8 * RATE, 2)))), frozenset({"silence_after"}), None),
    "the start is cut": (lambda mix: mix[round(1.013 * RATE) :], frozenset({"start_cut"}), 0.0),
    "the end is cut": (lambda mix: mix[: 12 * RATE + 77], frozenset({"end_cut"}), None),
    "noise under the fade": (_noise, frozenset({"noise_at_end"}), None),
    "hum under the fade": (_hum, frozenset({"noise_at_end"}), None),
    "left is missing for 4 s": (_left_out, frozenset({"side_missing"}), 6.0),
    "two equal sides": (lambda mix: mix[:, [0, 0]], frozenset({"dual_mono"}), None),
    "20 ms lost": (_lost, frozenset({"dropout"}), 8.0),
    "a constant offset": (lambda mix: mix + 0.02, frozenset({"dc_at_end", "dc_offset"}), None),
    "one side turned round": (
        lambda mix: mix * (1.0, -1.0),
        frozenset({"polarity_flipped", "sides_cancel", "mono_loss"}),
        None,
    ),
    "a sample that is no number": (_not_finite, frozenset({"corrupt"}), 5.0),
}
"""What is done to the mix, the codes of which at least one is expected, and the place in s where there is one."""
