"""Stereo pairs of which the truth is known: microphones apart, a side turned over, sides of unequal level."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

from tests.prove.takes_clean import room
from tests.prove.takes_faults import stored
from tests.prove.takes_sounds import SOUNDS, Rng, pad, plucked
from tests.support.wavefile import PCM_16, PCM_24, Kind

Array = NDArray[Any]
ACCUSING: Final = frozenset({"polarity_flipped", "mono_loss"})
NAMING: Final = frozenset({"dual_mono", "one_sided"})
MOST_DELAY_S: Final = 0.005
SHAPES: Final = (
    *("spaced", "spaced", "flipped", "flipped and apart", "level", "one side"),
    *("same", "same but for dither", "wide", "wide synthesiser", "cancelling", "cancelling below"),
)
SOUNDS_OF_PAIRS: Final = ("plucked", "sung", "drum", "bell", "bowed")


@dataclass(frozen=True)
class Pair:
    """Two channels and what is true of them.

    `delay_frames` is by how much one is later than the other, None where that has no meaning; `balance_db` how much
    louder the left is; `expected` the codes of which one must be told; `forbidden` those that would be false.
    """

    name: str
    shape: str
    samples: Array
    sample_rate_hz: int
    kind: Kind
    expected: frozenset[str] = frozenset()
    forbidden: frozenset[str] = ACCUSING | NAMING
    delay_frames: float | None = None
    balance_db: float | None = None
    notes: str = field(default="")


def pairs(seed: int, count: int) -> Iterator[Pair]:
    """Yield so many pairs of a seed, the shapes in turn."""
    for number in range(count):
        yield pair(seed, number)


def shifted(seed: int, count: int) -> Iterator[Pair]:
    """Yield so many pairs that are one sound twice, one of them later, each with a noise of its own and no room."""
    for number in range(count):
        rng = np.random.default_rng((seed, 78, number))
        source = _source(rng, seed, number, "shifted", SOUNDS_OF_PAIRS[number % len(SOUNDS_OF_PAIRS)])
        delay = _delay(rng, source.rate_hz)
        both = np.column_stack([later(source.mono, max(0.0, each)) for each in (-delay, delay)])
        both[:, 1] *= 10 ** (rng.uniform(-4.0, 4.0) / 20)
        yield _made(source, both + room(rng, both.shape, rng.uniform(-80.0, -60.0)), delay_frames=abs(delay))


def pair(seed: int, number: int) -> Pair:
    """Return one pair of a seed."""
    rng = np.random.default_rng((seed, 77, number))
    shape = SHAPES[number % len(SHAPES)]
    sound = SOUNDS_OF_PAIRS[number // len(SHAPES) % len(SOUNDS_OF_PAIRS)]
    return _MAKERS[shape](rng, _source(rng, seed, number, shape, sound))


def _source(rng: Rng, seed: int, number: int, shape: str, sound: str) -> "_Source":
    rate_hz, kind = int(rng.choice([44_100, 48_000, 96_000])), (PCM_24, PCM_16)[rng.integers(2)]
    pitch_hz = float(np.exp(rng.uniform(np.log(max(80.0, SOUNDS[sound].lowest_hz)), np.log(700.0))))
    mono = 0.4 * SOUNDS[sound].make(rng, rate_hz, round(rng.uniform(3.0, 5.0) * rate_hz), pitch_hz)
    named = f"{seed}-{number:04d} {shape}: {sound} at {pitch_hz:.0f} Hz, {rate_hz} Hz {kind.name}"
    return _Source(named, shape, mono, rate_hz, kind)


@dataclass(frozen=True)
class _Source:
    name: str
    shape: str
    mono: Array
    rate_hz: int
    kind: Kind


def later(samples: Array, frames: float) -> Array:
    """Return a signal later by frames and parts of a frame, by turning its spectrum; zeros come in before it."""
    size = 2 ** int(np.ceil(np.log2(len(samples) + abs(frames) + 64)))
    spectrum = np.fft.rfft(samples, size) * np.exp(-2j * np.pi * np.fft.rfftfreq(size) * frames)
    return np.fft.irfft(spectrum, size)[: len(samples)]


def _at_microphone(rng: Rng, mono: Array, rate_hz: int) -> Array:
    """Add what one microphone hears of the room: a few early reflections, softer than the direct sound, and darker."""
    out = mono.copy()
    for _ in range(6):
        late, gain = int(rng.uniform(0.002, 0.03) * rate_hz), rng.choice([-1, 1]) * 10 ** (-rng.uniform(14, 26) / 20)
        out[late:] += gain * lfilter([0.4], [1.0, -0.6], mono[:-late])
    return out


def _two(rng: Rng, source: _Source, delay_frames: float, right_db: float, sign: float) -> Array:
    """Return two microphones of one source, the right one later (or earlier, where negative), with their own noise."""
    left = _at_microphone(rng, later(source.mono, max(0.0, -delay_frames)), source.rate_hz)
    right = _at_microphone(rng, later(source.mono, max(0.0, delay_frames)), source.rate_hz)
    both = np.column_stack((left, sign * 10 ** (right_db / 20) * right))
    return both + room(rng, both.shape, rng.uniform(-80.0, -60.0))


def _made(source: _Source, samples: Array, **truth: Any) -> Pair:
    peak = max(1.0, np.abs(samples).max() / 0.9)
    held = stored(samples / peak, source.kind)
    return Pair(source.name, source.shape, held, source.rate_hz, source.kind, **truth)


def _delay(rng: Rng, rate_hz: int, most_s: float = MOST_DELAY_S) -> float:
    frames = rng.uniform(0.0, most_s * rate_hz)
    return float(rng.choice([-1, 1]) * (round(frames) if rng.random() < 0.5 else frames))


def _spaced(rng: Rng, source: _Source) -> Pair:
    delay = _delay(rng, source.rate_hz)
    both = _two(rng, source, delay, rng.uniform(-4.0, 4.0), 1.0)
    return _made(source, both, delay_frames=abs(delay))


def _flipped(rng: Rng, source: _Source) -> Pair:
    delay = _delay(rng, source.rate_hz, 0.002) if "apart" in source.shape else 0.0
    both = _two(rng, source, delay, rng.uniform(-4.0, 4.0), -1.0)
    expected, forbidden = frozenset({"polarity_flipped"}), NAMING
    return _made(source, both, expected=expected, forbidden=forbidden, delay_frames=abs(delay))


def _level(rng: Rng, source: _Source) -> Pair:
    """One signal panned, with a noise so low that the balance is the gain."""
    left_db, right_db = rng.uniform(-12.0, 0.0, 2)
    both = source.mono[:, None] * 10 ** (np.array([left_db, right_db]) / 20)
    both = both + room(rng, both.shape, -95.0)
    return _made(source, both, balance_db=float(left_db - right_db), delay_frames=0.0, forbidden=ACCUSING)


def _one_side(rng: Rng, source: _Source) -> Pair:
    both = np.column_stack((source.mono, np.zeros(len(source.mono))))
    if rng.random() < 0.5:
        both = both + room(rng, both.shape, rng.uniform(-85.0, -75.0))
    both = both[:, :: rng.choice([-1, 1])]
    return _made(source, both, expected=frozenset({"one_sided"}), forbidden=ACCUSING | {"dual_mono"})


def _same(rng: Rng, source: _Source) -> Pair:
    one = source.mono + room(rng, (len(source.mono), 1), -70.0)[:, 0]
    held = [stored(one, source.kind, rng if "dither" in source.shape else None) for _ in range(2)]
    both = np.column_stack(held)
    forbidden = ACCUSING | {"one_sided"}
    return _made(source, both, expected=frozenset({"dual_mono"}), forbidden=forbidden, balance_db=0.0)


def _wide(rng: Rng, source: _Source) -> Pair:
    """Two different performances, one a side: a doubled part."""
    other = 0.4 * plucked(rng, source.rate_hz, len(source.mono), rng.uniform(100.0, 500.0))
    both = np.column_stack((source.mono, other))
    return _made(source, both + room(rng, both.shape, -75.0))


def _wide_synth(rng: Rng, source: _Source) -> Pair:
    """A synthesiser whose sides are made apart, with something in the middle."""
    frames, pitch = len(source.mono), rng.uniform(60.0, 400.0)
    sides = np.column_stack([0.3 * pad(rng, source.rate_hz, frames, pitch) for _ in range(2)])
    return _made(source, sides + 0.2 * pad(rng, source.rate_hz, frames, pitch)[:, None])


def _cancelling(rng: Rng, source: _Source) -> Pair:
    """A sound that is nearly all difference: folded to mono, most of it is gone."""
    middle = 0.4 * plucked(rng, source.rate_hz, len(source.mono), rng.uniform(100.0, 500.0))
    middle *= 10 ** (-rng.uniform(12.0, 20.0) / 20) * source.mono.std() / middle.std()
    both = np.column_stack((middle + source.mono, middle - source.mono))
    return _made(source, both + room(rng, both.shape, -80.0), expected=ACCUSING, forbidden=NAMING)


def _cancelling_below(rng: Rng, source: _Source) -> Pair:
    """A wide sound whose bass, the larger part of it, is turned over on one side."""
    split_hz = rng.uniform(300.0, 500.0)
    bass = pad(rng, source.rate_hz, len(source.mono), rng.uniform(50.0, 80.0))
    bass = sosfilt(butter(4, 200.0, fs=source.rate_hz, output="sos"), bass)
    high = butter(4, split_hz, "highpass", fs=source.rate_hz, output="sos")
    above = np.column_stack([sosfilt(high, source.mono), sosfilt(high, np.roll(source.mono, source.rate_hz // 7))])
    above *= 0.1 / max(1e-9, above.std())
    both = np.column_stack((bass, -bass)) * 0.2 / bass.std() + above
    return _made(source, both + room(rng, both.shape, -80.0), expected=ACCUSING, forbidden=NAMING)


_MAKERS: Final = {
    "spaced": _spaced,
    "flipped": _flipped,
    "flipped and apart": _flipped,
    "level": _level,
    "one side": _one_side,
    "same": _same,
    "same but for dither": _same,
    "wide": _wide,
    "wide synthesiser": _wide_synth,
    "cancelling": _cancelling,
    "cancelling below": _cancelling_below,
}
