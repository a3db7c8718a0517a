"""What can happen to a sound on its way into a file: clipped here or before, lost samples, levels past full scale."""

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.prove.takes_sounds import Rng
from tests.support.reference_levels import interpolated_peak
from tests.support.wavefile import FLOAT, PCM_16, PCM_24, Kind

Array = NDArray[Any]
ENOUGH_SAMPLES: Final = 8
ENOUGH_EVENTS: Final = 3
SAME_EVENT_FRAMES: Final = 2
"""Runs that stand no further apart are one event, broken by noise."""
JUMP_RATIO: Final = 4.0
"""A jump is plain where its second difference is so many times the largest elsewhere; own figure."""
LEAST_JUMP_LINEAR: Final = 0.001
"""A jump whose second difference is under it, -60 dBFS, is no plain one: the rooms of these sounds are as loud."""
MEANT_S: Final = 0.08
"""From so long on a rest may be meant, as those of the gated sounds that count as clean are; losses of 50 ms at the
most are longer only where several run into one another."""
PLAY_AGAIN: Final = frozenset({"play_again"})
LISTEN: Final = frozenset({"listen"})
NOT_AGAIN: Final = frozenset({"usable", "listen"})
HEARD: Final = frozenset({"listen", "play_again"})
ANY: Final = frozenset({"usable", "listen", "play_again"})


@dataclass(frozen=True)
class Made:
    """Samples with what is true of them: which frames sit at a rail, and what a judge may say.

    `at_rail` is (frames, channels), +1 at the upper rail, -1 at the lower; `bound` says whether a miss counts.
    """

    samples: Array
    variant: str
    expected: str | None = None
    accepts: frozenset[str] = NOT_AGAIN
    depth_db: float | None = None
    bound: bool = True
    at_frames: tuple[int, ...] = ()
    at_rail: Array = field(default_factory=lambda: np.zeros((0, 1), int))
    channels: tuple[int, ...] = ()


def top_of(kind: Kind) -> float:
    """Return the highest value of an encoding."""
    return 1.0 if kind.is_float else 1.0 - 2.0 ** (1 - kind.valid_bits)


def lsb_of(kind: Kind) -> float:
    """Return the step of an encoding; float is taken as recorded by a 24-bit converter."""
    return 2.0 ** (1 - (24 if kind.is_float else kind.valid_bits))


def stored(samples: Array, kind: Kind, dither: Rng | None = None) -> Array:
    """Return samples as a file of this encoding holds them; a generator adds TPDF dither."""
    if kind.is_float:
        return samples.astype(np.float32).astype(float)
    scale = 2.0 ** (kind.valid_bits - 1)
    noise = 0.0 if dither is None else dither.random(samples.shape) - dither.random(samples.shape)
    return np.clip(np.rint(samples * scale + noise), -scale, scale - 1) / scale


def runs(at_rail: Array, within: int = 0) -> tuple[int, int]:
    """Return the samples and the separate events at one channel's rails; runs within so many frames are one event."""
    samples, events = 0, 0
    for sign in (1, -1):
        places = np.flatnonzero(at_rail == sign)
        samples += len(places)
        events += int(len(places) > 0) + int((np.diff(places) > 1 + within).sum())
    return samples, events


def enough(at_rail: Array) -> bool:
    """Return whether any channel has as many samples or events at its rails as must be found."""
    counts = [runs(channel, SAME_EVENT_FRAMES) for channel in at_rail.T]
    return any(samples >= ENOUGH_SAMPLES or events >= ENOUGH_EVENTS for samples, events in counts)


def few(at_rail: Array) -> bool:
    """Return whether all channels together, counted as finely as can be, stay under both bounds."""
    counts = [runs(channel) for channel in at_rail.T]
    return sum(n for n, _ in counts) < ENOUGH_SAMPLES and sum(n for _, n in counts) < ENOUGH_EVENTS


def _loud_once(samples: Array, rng: Rng, rate_hz: int) -> Array:
    """Lower all but the loudest moment by 3 to 9 dB, smoothly."""
    middle = int(np.abs(samples).max(axis=1).argmax())
    width = rng.uniform(0.01, 0.08) * rate_hz
    bump = np.exp(-0.5 * ((np.arange(len(samples)) - middle) / width) ** 2)
    low = 10 ** (-rng.uniform(3.0, 9.0) / 20)
    return samples * (low + (1.0 - low) * bump)[:, None]


def _shy_below(samples: Array) -> Array:
    """Press the lower half softly, so that the upper alone reaches the rail."""
    return np.where(samples < 0, samples / (1.0 + np.abs(samples) / 0.9), samples)


def _upwards(samples: Array) -> Array:
    """Turn the larger peak upwards and press the lower half softly, so that the upper alone reaches a rail."""
    turned = samples * np.sign(samples.flat[np.abs(samples).argmax()])
    return np.where(turned < 0, turned / (1.0 + np.abs(turned) / 0.9), turned)


def _driven(samples: Array, rng: Rng, rate_hz: int, depth_db: float) -> tuple[Array, str]:
    """Raise a sound until its peak is so many dB past 1, as a whole, once, on one side, or in one channel."""
    style, drive = str(rng.choice(["many", "many", "once", "one side"])), 10 ** (depth_db / 20)
    loud = _loud_once(samples, rng, rate_hz) if style == "once" else samples
    loud = drive * loud / np.abs(loud).max()
    if loud.shape[1] > 1 and rng.random() < 0.4:
        loud[:, rng.integers(loud.shape[1])] *= 0.7 / drive
        style += ", one channel"
    if style.startswith("one side"):
        loud = _upwards(loud)
    return drive * loud / np.abs(loud).max() * (rng.choice([-1.0, 1.0]) if style.startswith("one side") else 1.0), style


def _cut(samples: Array, rng: Rng, rate_hz: int, depth_db: float, kind: Kind) -> tuple[Array, Array, str]:
    """Drive a sound so many dB into a converter; give the samples, where they sit at the rail, and how."""
    driven, style = _driven(samples, rng, rate_hz, depth_db)
    top, half = top_of(kind), lsb_of(kind) / 2
    bottom = -top if rng.random() < 0.5 else -1.0
    loud = driven * top
    at_rail = (loud >= top - half).astype(int) - (loud <= bottom + half).astype(int)
    return np.clip(loud, bottom, top), at_rail, style


def _judged(samples: Array, style: str, code: str, at_rail: Array, depth_db: float, *, driven: bool) -> Made:
    """Return what is expected of a clipped sound: found where enough sits at the rail, quiet where it is little."""
    is_enough = enough(at_rail)
    accepts = (HEARD if driven else PLAY_AGAIN) if is_enough else NOT_AGAIN if few(at_rail) else ANY
    channels = tuple(int(n) + 1 for n in np.flatnonzero(at_rail.any(axis=0)))
    places = tuple(int(n) for n in np.flatnonzero(at_rail.any(axis=1))[:3])
    return Made(samples, style, code, accepts, depth_db, is_enough, places, at_rail, channels)


def depth_of(rng: Rng) -> float:
    """Return how far into the rail: 0.1 to 12 dB, as many shallow as deep."""
    return float(np.exp(rng.uniform(np.log(0.1), np.log(12.0))))


def clipped(samples: Array, rng: Rng, rate_hz: int, kind: Kind, *, driven: bool) -> Made:
    """A converter at its end: every sample past full scale becomes the top code."""
    depth_db = depth_of(rng)
    cut, at_rail, style = _cut(samples, rng, rate_hz, depth_db, kind)
    return _judged(stored(cut, kind), style, "clipped", at_rail, depth_db, driven=driven)


def clipped_upstream(samples: Array, rng: Rng, rate_hz: int, kind: Kind, *, driven: bool) -> Made:
    """Flat tops that something before the file made, then turned down, over, shifted, dithered, stored anew."""
    depth_db = depth_of(rng)
    cut, at_rail, style = _cut(samples, rng, rate_hz, depth_db, PCM_24)
    down_db = rng.choice([0.1, 0.3, 1.0, rng.uniform(0.5, 6.0), rng.uniform(6.0, 18.0)])
    changed = cut * 10 ** (-down_db / 20)
    if rng.random() < 0.3:
        changed, at_rail, style = -changed, -at_rail, style + ", turned over"
    if rng.random() < 0.25 and down_db > 0.2:
        changed, style = changed + rng.choice([-1, 1]) * rng.uniform(0.0003, 0.005), style + ", shifted"
    dithered = not kind.is_float and rng.random() < 0.5
    style += f", {down_db:.1f} dB down" + (", dithered" if dithered else "")
    made = stored(changed, kind, rng if dithered else None)
    return _judged(made, style, "clipped_upstream", at_rail, depth_db, driven=driven)


def clipped_then_noise(samples: Array, rng: Rng, rate_hz: int, kind: Kind, *, driven: bool) -> Made:
    """A preamp at its end with a converter's noise of -105 to -90 dBFS over the flat tops: counted, not bound."""
    depth_db = depth_of(rng)
    cut, at_rail, style = _cut(samples, rng, rate_hz, depth_db, PCM_24)
    level = 10 ** (rng.uniform(-105.0, -90.0) / 20) / np.sqrt(2)
    noisy = cut * 10 ** (-rng.uniform(0.5, 6.0) / 20) + level * rng.standard_normal(cut.shape)
    made = _judged(stored(noisy, kind), style, "clipped_upstream", at_rail, depth_db, driven=driven)
    return Made(**{**made.__dict__, "bound": False, "accepts": ANY})


def over_full_scale(samples: Array, rng: Rng, _rate_hz: int, _kind: Kind) -> Made:
    """Float samples past full scale: whole, and to be brought back."""
    depth_db = depth_of(rng)
    over = stored(samples * 10 ** (depth_db / 20) / np.abs(samples).max(), FLOAT)
    places = tuple(int(n) for n in np.flatnonzero(np.abs(over).max(axis=1) > 1.0)[:1])
    channels = tuple(int(n) + 1 for n in np.flatnonzero(np.abs(over).max(axis=0) > 1.0))
    return Made(over, "float", "over_full_scale", LISTEN, depth_db, at_frames=places, channels=channels)


def _bright_burst(rng: Rng, frames: int) -> Array:
    """Return a burst of a tone at a fourth or a sixth of the rate, its samples as far from its crests as can be."""
    part, phase = ((1 / 4, 1 / 8), (1 / 6, 1 / 6))[rng.integers(2)]
    n = np.arange(frames)
    shape = np.exp(-0.5 * ((n - rng.uniform(0.3, 0.7) * frames) / (rng.uniform(0.01, 0.1) * frames)) ** 2)
    return shape * np.sin(2 * np.pi * (part * n + phase))


def inter_sample_over(samples: Array, rng: Rng, _rate_hz: int, kind: Kind) -> Made:
    """A part whose samples stay under full scale, and whose waveform does not, or a tame one for comparison."""
    burst = rng.choice([0.0, 2.0, 4.0]) * _bright_burst(rng, len(samples))[:, None]
    made = samples / np.abs(samples).max() + burst
    made = stored(made * rng.uniform(0.965, 0.995) / np.abs(made).max(), kind)
    over_db = float(20 * np.log10(interpolated_peak(made, 32).max()))
    code = "inter_sample_over" if over_db > 0 else None
    return Made(made, f"true peak {over_db:+.2f}", code, NOT_AGAIN, over_db, bound=abs(over_db) > 0.1)


def _inside(samples: Array, rng: Rng, rate_hz: int, frames: int) -> int:
    """Choose a place inside sound: loud in the 10 ms right before what is lost, and in those right behind it."""
    near = rate_hz // 100
    sums = np.concatenate(([0.0], np.cumsum((samples**2).mean(axis=1))))
    power = sums[near:] - sums[:-near]
    loud = power > 0.1 * power.max()
    edge = max(near, rate_hz // 20)
    at = np.arange(edge, len(samples) - edge - frames)
    places = at[loud[at - near] & loud[at + frames]] if len(at) else at
    return int(rng.choice(places)) if len(places) else len(samples) // 2


def dropout(samples: Array, rng: Rng, rate_hz: int, kind: Kind) -> Made:
    """Samples lost inside sound: zeros, one value held, or a block that is missing."""
    made = stored(samples * 10 ** (-rng.uniform(1.0, 15.0) / 20) / np.abs(samples).max(), kind)
    form = str(rng.choice(["zeros", "held", "jump"]))
    if form == "jump":
        return _jump(made, rng, rate_hz)
    length = round(float(np.exp(rng.uniform(np.log(0.001), np.log(0.05)))) * rate_hz)
    places = tuple(sorted(_inside(made, rng, rate_hz, length) for _ in range(rng.integers(1, 4))))
    which = slice(None) if rng.random() < 0.7 else slice(0, 1)
    for at in places:
        made[at : at + length, which] = 0.0 if form == "zeros" else made[at, which]
    channels = tuple(range(1, 2 if which.stop else made.shape[1] + 1))
    variant = f"{form}, {1000 * length / rate_hz:.1f} ms"
    bound = _longest(places, length) < MEANT_S * rate_hz
    accepts = HEARD if bound else ANY
    return Made(made, variant, "dropout", accepts, bound=bound, at_frames=places, channels=channels)


def _longest(places: tuple[int, ...], length: int) -> int:
    """Return the frames of the longest rest that losses of one length make, where they run into one another."""
    longest, first, end = 0, 0, -1
    for at in places:
        first = at if at > end else first
        end = at + length
        longest = max(longest, end - first)
    return longest


def _jump(samples: Array, rng: Rng, rate_hz: int) -> Made:
    lost = int(rng.choice([64, 128, 256, 512, 1024]))
    at = _inside(samples, rng, rate_hz, lost)
    made = np.delete(samples, np.s_[at : at + lost], axis=0)
    curve = np.abs(np.diff(made, 2, axis=0)).max(axis=1)
    near = slice(max(0, at - 3), at + 2)
    there = float(curve[near].max())
    curve[near] = 0.0
    plain = there >= max(LEAST_JUMP_LINEAR, JUMP_RATIO * float(curve.max()))
    channels = tuple(range(1, made.shape[1] + 1))
    variant = f"jump over {lost}, {'plain' if plain else 'slight'}"
    return Made(made, variant, "dropout", HEARD if plain else ANY, bound=plain, at_frames=(at,), channels=channels)


INTEGER_KINDS: Final = (PCM_16, PCM_24)
KINDS: Final = (PCM_16, PCM_24, PCM_24, FLOAT)
