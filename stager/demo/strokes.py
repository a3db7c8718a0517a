"""The plucked and struck instruments of the song: lute, string drone, hand drums."""

from typing import Final

import numpy as np

from stager.demo.score import BEAT_S, FRAMES, SAMPLE_RATE_HZ, Note, Notes, hz_from_key
from stager.demo.synthesis import (
    Sound,
    control_times,
    harmonics,
    in_room,
    noise_band,
    phase_of,
    put,
    smoothed,
    steady_phase,
    uniform_noise,
)


def _string_loop(burst: Sound, delay: float, frames: int, kept: float) -> Sound:
    """Return a burst going round a string: each round is the last one, softened and `kept` times as strong.

    The delay in frames of one round may be fractional; three taps make the softening and the fraction at once.
    """
    period = int(delay - 0.5)
    fraction = delay - 0.5 - period
    taps = kept * np.array([(1.0 - fraction) / 2.0, 0.5, fraction / 2.0])
    string = np.zeros(frames + period + 2)
    string[2 : 2 + burst.size] = burst
    for start in range(2 + period, string.size, period):
        stop = min(start + period, string.size)
        back = start - period
        span = stop - start
        for reach, tap in enumerate(taps):
            string[start:stop] += tap * string[back - reach : back - reach + span]
    return string[2 : 2 + frames]


def _pluck(note: Note, rng: np.random.Generator) -> Sound:
    """Return one plucked string: the pick's click, then the string ringing until it is damped."""
    frames = min(FRAMES - note.start, round((note.beats * BEAT_S + 0.25) * SAMPLE_RATE_HZ))
    delay = SAMPLE_RATE_HZ / hz_from_key(note.key)
    burst = smoothed(uniform_noise(rng, int(delay)), 6e-5)
    string = _string_loop(burst - burst.mean(), delay, frames, 0.992)
    click = np.zeros(frames)
    click[: int(delay)] = 0.6 * burst * np.exp(-np.arange(int(delay)) / 60.0)
    damped = np.minimum(1.0, (frames - np.arange(frames)) / (0.12 * SAMPLE_RATE_HZ))
    return np.asarray((string + click) * damped * note.strength)


def lute(notes: Notes, rng: np.random.Generator) -> Sound:
    """Return the lute as a stereo pair hears it, (frames, 2): low strings a little left, high ones a little right."""
    sides = np.zeros((2, FRAMES))
    for note in notes:
        string = _pluck(note, rng)
        right = min(0.7, max(0.3, (note.key - 50) / 15.0))
        put(sides[0], note.start, (1.0 - right) * string)
        put(sides[1], note.start, right * string)
    return np.stack([in_room(side, rng, 0.1) for side in sides], axis=1)


def _open_string(note: Note, lean: float) -> Sound:
    """Return one string of the drone: its high harmonics bloom after the pluck and fade first."""
    frames = min(FRAMES - note.start, round(note.beats * BEAT_S * SAMPLE_RATE_HZ))
    pitch_hz = hz_from_key(note.key)
    order = np.arange(1, min(32, int(9_000.0 / pitch_hz)) + 1)[:, None]
    time_s = control_times(frames)
    blooming = 1.0 - np.exp(-time_s / (0.02 + 0.012 * order))
    fading = np.exp(-time_s * (0.35 + 0.045 * order))
    hill = 0.25 + np.exp(-(((order * pitch_hz - 1300.0) / 900.0) ** 2))
    end = np.minimum(1.0, (time_s[-1] - time_s) / 0.3)
    strengths = hill * blooming * fading * end / order**0.5
    return np.asarray(note.strength * harmonics(steady_phase(pitch_hz * (1.0 + lean), frames), strengths))


def drone(notes: Notes, rng: np.random.Generator) -> Sound:
    """Return the string drone as a stereo pair hears it, (frames, 2): dense, and pushed into a warm preamplifier."""
    sides = np.zeros((2, FRAMES))
    for number, note in enumerate(notes):
        left = 0.35 + 0.1 * (number % 4)
        string = _open_string(note, 2e-4 * (number % 3 - 1))
        put(sides[0], note.start, (1.0 - left) * string)
        put(sides[1], note.start, left * string)
    return np.stack([np.tanh(0.36 * in_room(side, rng, 0.15)) for side in sides], axis=1)


_HIGH_DRUM_HZ: Final = 293.66
_LOW_DRUM_HZ: Final = 98.0
_STROKE_S: Final = 0.7


def _slap(rng: np.random.Generator, fade_s: float) -> Sound:
    """Return the skin's slap under the fingers, a short burst of noise."""
    frames = round(_STROKE_S * SAMPLE_RATE_HZ)
    return noise_band(rng, frames, 900.0, 6000.0) * np.exp(-np.arange(frames) / (fade_s * SAMPLE_RATE_HZ))


def _high_drum(strengths: tuple[float, ...], fade_s: float, rng: np.random.Generator) -> Sound:
    """Return a stroke on the high drum, whose loaded skin rings in near-whole ratios; higher modes fade sooner."""
    frames = round(_STROKE_S * SAMPLE_RATE_HZ)
    time_s = control_times(frames)
    order = np.arange(1, len(strengths) + 1)[:, None]
    fading = np.exp(-time_s * (1.0 + 0.6 * (order - 1)) / fade_s)
    rung = harmonics(steady_phase(_HIGH_DRUM_HZ, frames), np.array(strengths)[:, None] * fading)
    return np.asarray(rung + 0.25 * _slap(rng, 0.006))


def _low_drum(rng: np.random.Generator) -> Sound:
    """Return a stroke on the low drum: its pitch falls as the heel of the hand lets go."""
    frames = round(_STROKE_S * SAMPLE_RATE_HZ)
    time_s = np.arange(frames) / SAMPLE_RATE_HZ
    pitch_hz = _LOW_DRUM_HZ * (1.0 + 0.45 * np.exp(-time_s / 0.07))
    rung = harmonics(phase_of(pitch_hz), np.array([[1.0], [0.3], [0.1]]))
    struck = np.minimum(1.0, time_s / 0.003) * np.exp(-time_s / 0.22)
    return np.asarray(1.1 * rung * struck + 0.12 * _slap(rng, 0.01))


def _stroke(kind: str, rng: np.random.Generator) -> Sound:
    """Return one stroke by its name in the score."""
    if kind == "deep":
        return _low_drum(rng)
    if kind == "open":
        return _high_drum((1.0, 0.35, 0.15, 0.05), 0.28, rng)
    return _high_drum((0.15, 0.5, 0.45, 0.3, 0.2), 0.09, rng)


def hand_drums(strokes: tuple[tuple[float, str, float], ...], rng: np.random.Generator) -> Sound:
    """Return the pair of hand drums under one microphone."""
    heard = np.zeros(FRAMES)
    for beat, kind, strength in strokes:
        late = 0.004 * rng.random() * SAMPLE_RATE_HZ
        put(heard, round(beat * BEAT_S * SAMPLE_RATE_HZ + late), strength * _stroke(kind, rng))
    return in_room(heard, rng, 0.1)
