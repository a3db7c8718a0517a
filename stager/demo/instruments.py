"""The sustained instruments of the song: fiddle, singers, harmonium.

Each takes its notes and a generator and gives one channel over the whole stem, at a level that the mixing desk in
`song` still sets. `strokes` has the plucked and the struck ones.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from stager.demo.score import BEAT_S, FRAMES, SAMPLE_RATE_HZ, Note, Notes, hz_from_key
from stager.demo.synthesis import (
    Sound,
    articulation,
    harmonics,
    in_room,
    noise_band,
    phase_of,
    put,
    ramp,
    resonance,
    sampled,
    smoothed,
    steady_phase,
    steps,
    wander,
)

_TOP_HZ: Final = 14_000.0


@dataclass(frozen=True)
class Hand:
    """How one performance differs from another of the same notes.

    Vibrato has its rate in Hz and its depth in semitones, drift is the slow wandering of pitch in semitones, and
    looseness the range in s, earliest to latest, by which a note misses the grid in either direction.
    """

    vibrato_hz: float
    vibrato_depth: float
    drift: float
    looseness_s: tuple[float, float] = (0.0, 0.006)


def loosened(notes: Notes, hand: Hand, rng: np.random.Generator) -> Notes:
    """Return the notes with this performance's timing: each early or late by a random amount within the looseness."""
    nearest, furthest = hand.looseness_s
    moved_s = nearest + (furthest - nearest) * rng.random(len(notes))
    signs = np.where(rng.random(len(notes)) < 0.5, -1.0, 1.0)
    return tuple(
        Note(note.beat + float(by) / BEAT_S, note.beats, note.key, note.strength)
        for note, by in zip(notes, moved_s * signs, strict=True)
    )


def _vibrato(notes: Notes, hand: Hand, rng: np.random.Generator) -> Sound:
    """Return the vibrato in semitones over the stem; it sets in a fifth of a second after each note's start."""
    depth = np.zeros(FRAMES)
    for note in notes:
        late = note.start + round(0.18 * SAMPLE_RATE_HZ)
        depth[note.start : late] = 0.1
        depth[late : note.end] = 1.0
    rate_hz = hand.vibrato_hz * (1.0 + wander(rng, 0.5, 0.08))
    return np.asarray(hand.vibrato_depth * smoothed(depth, 0.12) * np.sin(phase_of(rate_hz)))


def _pitch_hz(notes: Notes, hand: Hand, glide_s: float, rng: np.random.Generator) -> Sound:
    """Return the pitch in Hz over the stem, gliding between notes, with vibrato and drift."""
    keys = smoothed(smoothed(steps(notes, [note.key for note in notes]), glide_s), glide_s)
    keys += _vibrato(notes, hand, rng) + wander(rng, 0.7, hand.drift)
    return np.asarray(hz_from_key(0.0) * np.exp2(keys / 12.0))


def _partials_hz(pitch_hz: Sound) -> Sound:
    """Return the frequencies in Hz of all harmonics under the top, (harmonics, control points)."""
    points = sampled(pitch_hz)
    return np.asarray(points * np.arange(1, int(_TOP_HZ / points.max()) + 1)[:, None])


def _brightened(strengths: Sound, envelope: Sound, slope: float) -> Sound:
    """Return the strengths with high harmonics coming and going faster than low ones, as loudness does."""
    order = np.arange(strengths.shape[0])[:, None]
    return np.asarray(strengths * np.clip(sampled(envelope), 1e-3, 1.0) ** (slope * order))


def _body(at_hz: Sound) -> Sound:
    """Return the response of the fiddle's body at these frequencies: air, wood, and the hill of the bridge."""
    return (
        0.25
        + 0.9 * resonance(at_hz, 285.0, 60.0)
        + 1.3 * resonance(at_hz, 480.0, 140.0)
        + 0.7 * resonance(at_hz, 1050.0, 250.0)
        + 0.8 * resonance(at_hz, 2600.0, 700.0)
    )


def fiddle(notes: Notes, hand: Hand, rng: np.random.Generator) -> Sound:
    """Return a bowed line: a saw wave through the body, with the bow's rustle."""
    played = loosened(notes, hand, rng)
    pitch_hz = _pitch_hz(played, hand, 0.035, rng)
    envelope = articulation(played, 0.07, 0.09) * (1.0 + wander(rng, 0.09, 0.12))
    at_hz = _partials_hz(pitch_hz)
    order = np.arange(1, at_hz.shape[0] + 1)[:, None]
    strengths = _brightened(_body(at_hz) / order, envelope, 0.05)
    rustle = noise_band(rng, FRAMES, 1500.0, 7000.0) * 0.012
    return in_room((harmonics(phase_of(pitch_hz), strengths) + rustle) * envelope, rng, 0.16)


_VOWELS_HZ: Final = ((700.0, 1150.0, 2700.0), (430.0, 800.0, 2600.0), (500.0, 1750.0, 2500.0), (320.0, 2150.0, 2900.0))
_HUM_HZ: Final = ((280.0, 1000.0, 2200.0),)
_FORMANT_WIDTHS_HZ: Final = (75.0, 100.0, 160.0)
_FORMANT_GAINS: Final = (1.0, 0.55, 0.35)


def _throat(at_hz: Sound, notes: Notes, vowels_hz: tuple[tuple[float, ...], ...]) -> Sound:
    """Return the response of throat and mouth at these frequencies; the vowel changes with the note."""
    response = np.full(at_hz.shape, 0.015)
    for formant, (width_hz, gain) in enumerate(zip(_FORMANT_WIDTHS_HZ, _FORMANT_GAINS, strict=True)):
        centres = [vowels_hz[number % len(vowels_hz)][formant] for number in range(len(notes))]
        centre_hz = sampled(smoothed(steps(notes, centres), 0.07))
        response += gain * resonance(at_hz, centre_hz, width_hz)
    return response


def _consonants(notes: Notes, rng: np.random.Generator) -> Sound:
    """Return a short hiss before every second note, as words begin with."""
    hiss = np.zeros(FRAMES)
    noise = noise_band(rng, FRAMES, 3500.0, 9000.0)
    length = round(0.075 * SAMPLE_RATE_HZ)
    for note in notes[::2]:
        start = max(0, note.start - length // 2)
        put(hiss, start, noise[start : start + length] * np.sin(np.pi * np.arange(length) / length) ** 2)
    return hiss


def _sung(notes: Notes, hand: Hand, rng: np.random.Generator, vowels_hz: tuple[tuple[float, ...], ...]) -> Sound:
    """Return a sung line on these vowels, dry and without consonants."""
    pitch_hz = _pitch_hz(notes, hand, 0.05, rng)
    envelope = articulation(notes, 0.08, 0.11) * (1.0 + wander(rng, 0.12, 0.08))
    at_hz = _partials_hz(pitch_hz)
    order = np.arange(1, at_hz.shape[0] + 1)[:, None]
    strengths = _brightened(_throat(at_hz, notes, vowels_hz) / order**0.6, envelope, 0.04)
    breath = noise_band(rng, FRAMES, 900.0, 6000.0) * 0.01
    return np.asarray((harmonics(phase_of(pitch_hz), strengths) + breath) * envelope)


def singer(notes: Notes, hand: Hand, rng: np.random.Generator) -> Sound:
    """Return a singer with open vowels and consonants, a syllable a note."""
    played = loosened(notes, hand, rng)
    dry = _sung(played, hand, rng, _VOWELS_HZ) + 0.07 * _consonants(played, rng)
    return in_room(dry, rng, 0.13)


def hummer(notes: Notes, hand: Hand, rng: np.random.Generator) -> Sound:
    """Return a singer who hums with closed lips."""
    played = loosened(notes, hand, rng)
    return in_room(_sung(played, hand, rng, _HUM_HZ), rng, 0.13)


@dataclass(frozen=True)
class Microphone:
    """Where one microphone of the harmonium pair stands: how it takes bass and treble, and how bright it is."""

    bass_linear: float
    treble_linear: float
    darkness: float


def _reed(note: Note, darkness: float, rng: np.random.Generator) -> Sound:
    """Return one key of the harmonium: two reeds a hair apart, slow to speak and slow to stop."""
    release = round(0.12 * SAMPLE_RATE_HZ)
    frames = note.end - note.start + release
    order = np.arange(1, 19)[:, None]
    strengths = np.where(order % 2 == 1, 1.0, 0.7) / order**darkness
    tone = np.zeros(frames)
    for detuned in (-0.035, 0.035):
        phase = steady_phase(hz_from_key(note.key + detuned), frames, 2.0 * np.pi * rng.random())
        tone += harmonics(phase, strengths)
    attack = round(0.09 * SAMPLE_RATE_HZ)
    tone[:attack] *= ramp(attack)
    tone[-release:] *= 1.0 - ramp(release)
    return np.asarray(tone * note.strength)


def harmonium(
    notes: Notes, microphone: Microphone, playing: np.random.Generator, standing: np.random.Generator
) -> Sound:
    """Return the harmonium as one microphone hears it.

    The same `playing` for both microphones makes them one performance; `standing` is each one's own room.
    """
    keys = np.zeros(FRAMES)
    for note in notes:
        height = min(1.0, max(0.0, (note.key - 45) / 20.0))
        heard = microphone.bass_linear * (1.0 - height) + microphone.treble_linear * height
        put(keys, note.start, heard * _reed(note, microphone.darkness, playing))
    bellows = 1.0 + wander(playing, 0.35, 0.22)
    wind = noise_band(standing, FRAMES, 300.0, 2500.0) * 0.015
    return in_room((keys + wind) * bellows, standing, 0.18)
