"""Players for the truth about pairs of stems: a part written down once, played as often as wanted, none like another.

By numpy and scipy alone. What belongs to the instrument (`Instrument`, `Body`) stays from one performance to the next;
what belongs to the hand (time, strength, tuning, place of the pick, phase of the vibrato, every noise) is drawn anew.
A performance is heard as `RADIATORS` sounds, (radiators, frames): parts of the instrument that radiate to different
sides, so that two microphones before it hear two mixtures of them.
"""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

Array = NDArray[Any]
Rng = np.random.Generator
RADIATORS: Final = 3
TOP_OF_RATE: Final = 0.45
HARMONIC: Final = tuple(float(k) for k in range(1, 17))
STIFF: Final = tuple(k * float(np.sqrt(1.0 + 8e-5 * k * k)) for k in range(1, 17))
SKIN: Final = (1.0, 1.59, 2.14, 2.30, 2.65, 2.92, 3.16)
"""Modes of an ideal membrane over its lowest (zeros of the Bessel functions; from memory)."""
SCALES: Final = ((0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10))


@dataclass(frozen=True)
class Instrument:
    """What sounds: its range in semitones of MIDI, the partials over the lowest, and how a hand makes them differ.

    `struck` sounds die away and start with the hand's stroke; the others are held and start in any phase. `steps` are
    note lengths in beats; `error_cents` the spread of the tuning from note to note, `drift_cents` within one.
    `noise` is the level of stroke or breath against the tone, between `noise_hz`; `voices` how many notes at a time.
    """

    name: str
    lowest: int
    highest: int
    partials: tuple[float, ...]
    struck: bool
    decay_s: float
    steps: tuple[float, ...]
    error_cents: float
    drift_cents: float
    vibrato_cents: float
    noise: float
    noise_hz: tuple[float, float]
    noise_s: float = 0.02
    tilt: float = 1.0
    oscillators: int = 1
    voices: int = 1


PLUCKED: Final = Instrument("plucked", 45, 69, STIFF, True, 0.8, (0.5, 0.5, 1.0), 3, 3, 3, 0.15, (700.0, 9_000.0))
BASS: Final = Instrument("bass", 28, 45, STIFF, True, 0.9, (0.5, 1.0, 1.0), 3, 3, 2, 0.06, (300.0, 4_000.0), tilt=1.3)
KEYS: Final = Instrument(
    "keys", 48, 76, STIFF, True, 1.2, (0.5, 1.0, 2.0), 0.7, 0.4, 0, 0.05, (200.0, 3_000.0), tilt=1.2, voices=2
)
BOWED: Final = Instrument("bowed", 50, 74, HARMONIC, False, 0.0, (1.0, 2.0), 7, 6, 18, 0.03, (1_200.0, 8_000.0))
SUNG: Final = Instrument(
    "sung", 52, 74, HARMONIC, False, 0.0, (0.5, 1.0, 2.0), 9, 8, 25, 0.06, (900.0, 9_000.0), tilt=1.2
)
PAD: Final = Instrument(
    "pad", 48, 67, HARMONIC[:8], False, 0.0, (4.0, 8.0), 1, 3, 2, 0.004, (2e3, 8e3), oscillators=2, voices=3
)
DRUM: Final = Instrument(
    "drum", 33, 50, SKIN, True, 0.25, (0.5, 0.5, 1.0), 5, 2, 0, 0.5, (800.0, 12_000.0), noise_s=0.04, tilt=0.8
)
SHAKER: Final = Instrument(
    "shaker", 60, 61, (), True, 0.05, (0.5, 0.25, 0.5), 0, 0, 0, 1.0, (3_000.0, 14_000.0), noise_s=0.05
)
MELODIC: Final = (PLUCKED, BASS, KEYS, BOWED, SUNG)
ALL: Final = (*MELODIC, PAD, DRUM, SHAKER)


@dataclass(frozen=True)
class Body:
    """One instrument of its kind: how strong each partial is, from where it radiates, where the noise does."""

    weights: tuple[float, ...]
    radiators: tuple[int, ...]
    noise_radiator: int


@dataclass(frozen=True)
class Note:
    """One note as it is played: when, how long, how high, how strong."""

    onset_s: float
    length_s: float
    pitch_hz: float
    strength: float


@dataclass(frozen=True)
class Setting:
    """What parts of one song share: tempo and key."""

    beat_s: float
    root: int
    scale: tuple[int, ...]


def setting(rng: Rng) -> Setting:
    """Choose a tempo and a key."""
    return Setting(60.0 / rng.uniform(70.0, 140.0), int(rng.integers(12)), SCALES[rng.integers(len(SCALES))])


def body(rng: Rng, instrument: Instrument) -> Body:
    """Build one instrument of a kind."""
    count = len(instrument.partials)
    weights = tuple(float(10 ** (rng.normal(0.0, 4.0) / 20)) for _ in range(count))
    return Body(weights, tuple(int(rng.integers(RADIATORS)) for _ in range(count)), int(rng.integers(RADIATORS)))


def part(rng: Rng, instrument: Instrument, song: Setting, seconds: float) -> tuple[Note, ...]:
    """Write a part: notes of the key on a grid of the tempo, with rests; as written, so without a hand's errors."""
    notes: list[Note] = []
    beat, last = 1.0, (seconds - 0.6) / song.beat_s
    while beat < last:
        length = float(rng.choice(instrument.steps))
        if not notes or rng.random() > 0.12:
            length_s = min(length * song.beat_s * 0.97, seconds - 0.3 - beat * song.beat_s)
            notes += [
                Note(beat * song.beat_s, length_s, hz, rng.uniform(0.5, 1.0)) for hz in _chord(rng, instrument, song)
            ]
        beat += length + float(rng.choice([0.0, 0.0, 0.0, 4.0]) if rng.random() < 0.1 else 0.0)
    return tuple(notes)


def _chord(rng: Rng, instrument: Instrument, song: Setting) -> list[float]:
    """Choose as many different pitches of the key as the instrument has voices."""
    span = range(instrument.lowest, instrument.highest + 1)
    inside = [note for note in span if (note - song.root) % 12 in song.scale] or [instrument.lowest]
    chosen = rng.choice(inside, min(len(inside), instrument.voices), replace=False)
    return [440.0 * 2.0 ** ((float(note) - 69.0) / 12.0) for note in chosen]


def by_hand(rng: Rng, notes: tuple[Note, ...], jitter_s: float, strength_db: float) -> tuple[Note, ...]:
    """Play written notes by hand: onsets off by a normal error, strength too; notes of one chord move together."""
    onsets = {onset: onset + rng.normal(0.0, jitter_s) for onset in sorted({note.onset_s for note in notes})}
    return tuple(
        replace(
            note,
            onset_s=max(0.02, onsets[note.onset_s]),
            strength=note.strength * 10 ** (rng.normal(0.0, strength_db) / 20),
        )
        for note in notes
    )


def played(rng: Rng, instrument: Instrument, made: Body, notes: tuple[Note, ...], form: tuple[int, int]) -> Array:
    """Return a performance, (radiators, frames), its highest sample 1; `form` is rate in Hz and frames."""
    rate_hz, frames = form
    out = np.zeros((RADIATORS, frames))
    tuning_cents = rng.normal(0.0, instrument.error_cents)
    for note in notes:
        at = int(note.onset_s * rate_hz)
        n = min(frames - at, round((note.length_s + (instrument.decay_s if instrument.struck else 0.1)) * rate_hz))
        if n > 100:
            t = np.maximum(0.0, np.arange(n) / rate_hz - (note.onset_s - at / rate_hz))
            cents = tuning_cents + rng.normal(0.0, instrument.error_cents)
            _tone(rng, instrument, made, (out[:, at : at + n], t, note, cents, rate_hz))
            out[made.noise_radiator, at : at + n] += note.strength * _noise(rng, instrument, t, note, rate_hz)
    return out / np.abs(out.sum(axis=0)).max()


def _bend(rng: Rng, instrument: Instrument, t: Array) -> Array:
    """Return how far a note is off its pitch as it goes on, in cents: a slow walk and a vibrato, (frames,)."""
    knots = np.cumsum(rng.normal(0.0, instrument.drift_cents, 2 + int(t[-1] / 0.25)))
    walk = np.interp(t, 0.25 * np.arange(len(knots)), knots - knots[0])
    depth, hz = instrument.vibrato_cents * rng.uniform(0.5, 1.3), rng.uniform(4.5, 6.5)
    return walk + depth * np.minimum(1.0, t / 0.3) * np.sin(2 * np.pi * (hz * t + rng.random()))


def _tone(rng: Rng, instrument: Instrument, made: Body, form: tuple[Array, Array, Note, float, int]) -> None:
    """Add the partials of one note to where each radiates from."""
    out, t, note, cents, rate_hz = form
    place = rng.uniform(0.12, 0.3)
    for _ in range(instrument.oscillators):
        bend = cents + _bend(rng, instrument, t) + (rng.normal(0.0, 5.0) if instrument.oscillators > 1 else 0.0)
        turns = np.cumsum(note.pitch_hz * 2.0 ** (bend / 1200.0)) / rate_hz
        for k, (ratio, weight, radiator) in enumerate(
            zip(instrument.partials, made.weights, made.radiators, strict=True)
        ):
            if ratio * note.pitch_hz * 1.05 < TOP_OF_RATE * rate_hz:
                start = rng.normal(0.0, 0.2) if instrument.struck else rng.uniform(0.0, 2 * np.pi)
                level = weight * (k + 1.0) ** -instrument.tilt * 10 ** (rng.normal(0.0, 1.5) / 20)
                level *= abs(np.sin(np.pi * (k + 1) * place)) if instrument.struck else 1.0
                sound = level * note.strength * np.sin(2 * np.pi * ratio * turns + start)
                out[radiator] += sound * _envelope(rng, instrument, t, note, k)


def _envelope(rng: Rng, instrument: Instrument, t: Array, note: Note, k: int) -> Array:
    """Return the level of one partial: struck and dying, damped where the note ends; or swelling and let go."""
    end = np.clip((note.length_s - t) / 0.08, 0.0, 1.0)
    if instrument.struck:
        decay = np.exp(-t * (1.0 + 0.15 * k) / (instrument.decay_s * rng.uniform(0.9, 1.1)))
        return np.minimum(1.0, t / 0.0015) * decay * np.maximum(end, np.exp(-np.maximum(0.0, t - note.length_s) / 0.03))
    rise_s = min(0.3 * note.length_s, 0.4 if instrument.voices > 1 else 0.06) * rng.uniform(0.8, 1.2)
    knots = rng.uniform(0.75, 1.0, 2 + int(t[-1] / 0.2))
    return np.minimum(1.0, t / rise_s) * end * np.interp(t, 0.2 * np.arange(len(knots)), knots)


def _noise(rng: Rng, instrument: Instrument, t: Array, note: Note, rate_hz: int) -> Array:
    """Return the noise of a stroke, or of bow and breath as long as the note lasts."""
    high = min(instrument.noise_hz[1], TOP_OF_RATE * rate_hz)
    sos = butter(2, (instrument.noise_hz[0], high), "bandpass", fs=rate_hz, output="sos")
    hiss = sosfilt(sos, rng.standard_normal(len(t)))
    shape = np.exp(-t / instrument.noise_s) if instrument.struck else np.clip((note.length_s - t) / 0.05, 0.0, 1.0)
    return instrument.noise * rng.uniform(0.7, 1.3) * shape * np.minimum(1.0, t / 0.001) * hiss / hiss.std() / 3.0
