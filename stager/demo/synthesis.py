"""Building blocks of the demo's instruments: curves, harmonics, noise, a room, and the 24-bit grid.

Sounds are float64 arrays of one channel, (frames,), at the song's rate. Everything random comes from a generator with
a fixed seed, and of it only uniform numbers are drawn, so that every run gives the same samples.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from stager.demo.score import FRAMES, SAMPLE_RATE_HZ, Notes
from stager.units import power_from_dbfs_rms

Sound = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int32]

CODE_MAX: Final = 8_388_607
"""The highest code of the 24-bit grid; the lowest is one further from zero."""

CONTROL_FRAMES: Final = 256
"""Frames between two control points of a slow curve; straight lines join them."""


def generator(seed: int, use: int) -> np.random.Generator:
    """Make the generator of one seed for one use, so that a part's noise and its dither never share numbers."""
    return np.random.Generator(np.random.PCG64([seed, use]))


def ramp(frames: int) -> Sound:
    """Return a smooth rise from 0 to 1, half a cosine long."""
    return 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)


def uniform_noise(rng: np.random.Generator, frames: int) -> Sound:
    """Return white noise of power 1."""
    return np.asarray((rng.random(frames) - 0.5) * np.sqrt(12.0))


def smoothed(curve: Sound, width_s: float) -> Sound:
    """Return the moving mean of a curve over this width; the ends are held."""
    width = max(1, round(width_s * SAMPLE_RATE_HZ))
    padded = np.pad(curve, (width // 2 + 1, width - width // 2 - 1), mode="edge")
    sums = np.cumsum(padded)
    return np.asarray((sums[width:] - sums[:-width]) / width)


def wander(rng: np.random.Generator, step_s: float, depth: float) -> Sound:
    """Return a slow random curve over the whole stem, within plus and minus depth, with a new direction every step."""
    points = rng.random(int(FRAMES / SAMPLE_RATE_HZ / step_s) + 2) * 2.0 - 1.0
    at = np.arange(FRAMES) / (step_s * SAMPLE_RATE_HZ)
    return smoothed(depth * np.interp(at, np.arange(points.size), points), step_s)


def steps(notes: Notes, values: Sequence[float]) -> Sound:
    """Return the curve over the whole stem that holds each note's value until the next note starts."""
    curve = np.full(FRAMES, float(values[0]))
    for note, value in zip(notes, values, strict=True):
        curve[note.start :] = value
    return curve


def articulation(notes: Notes, attack_s: float, release_s: float) -> Sound:
    """Return the envelope over the whole stem: each note rises, swells a little, and decays after its end."""
    envelope = np.zeros(FRAMES)
    attack, release = round(attack_s * SAMPLE_RATE_HZ), round(release_s * SAMPLE_RATE_HZ)
    for note in notes:
        held = note.end - note.start
        shape = note.strength * (0.8 + 0.2 * np.sin(np.pi * np.arange(held + release) / (held + release)))
        shape[:attack] *= ramp(attack)
        shape[held:] *= 1.0 - ramp(release)
        put(envelope, note.start, shape)
    return envelope


def put(canvas: Sound, start: int, sound: Sound) -> None:
    """Add a sound to the canvas from this frame on; what would stand beyond the end is left out."""
    room = canvas[start : start + sound.size]
    room += sound[: room.size]


def joined(points: Sound, frames: int) -> Sound:
    """Return the curve of this many frames that joins control points by straight lines; a single point stays one."""
    if points.size == 1:
        return points
    between = np.arange(CONTROL_FRAMES) / CONTROL_FRAMES
    return np.asarray((points[:-1, None] + np.diff(points)[:, None] * between).reshape(-1)[:frames])


def control_times(frames: int) -> Sound:
    """Return the times in s of the control points of a sound, one more than there are stretches between them."""
    return np.asarray(np.arange(-(-frames // CONTROL_FRAMES) + 1) * (CONTROL_FRAMES / SAMPLE_RATE_HZ))


def sampled(curve: Sound) -> Sound:
    """Return a curve's values at its control points."""
    at = np.minimum(np.arange(-(-curve.size // CONTROL_FRAMES) + 1) * CONTROL_FRAMES, curve.size - 1)
    return np.asarray(curve[at])


def phase_of(pitch_hz: Sound) -> Sound:
    """Return the running phase in radians of a pitch curve."""
    return np.asarray(np.cumsum(pitch_hz) * (2.0 * np.pi / SAMPLE_RATE_HZ))


def steady_phase(pitch_hz: float, frames: int, start_rad: float = 0.0) -> Sound:
    """Return the running phase in radians of one steady pitch."""
    return np.asarray(start_rad + np.arange(frames) * (2.0 * np.pi * pitch_hz / SAMPLE_RATE_HZ))


def harmonics(phase_rad: Sound, strengths: Sound) -> Sound:
    """Add up the harmonics of a phase; strengths is (harmonics, control points), or (harmonics, 1) where steady.

    Each sine comes from the two below it: sin kx = 2 cos x sin (k-1)x - sin (k-2)x, many times faster than a sine.
    """
    twice_cosine, below, sine = 2.0 * np.cos(phase_rad), np.zeros(phase_rad.size), np.sin(phase_rad)
    total = np.zeros(phase_rad.size)
    for points in strengths:
        total += joined(points, phase_rad.size) * sine
        below, sine = sine, twice_cosine * sine - below
    return total


def resonance(at_hz: Sound, centre_hz: Sound | float, width_hz: float) -> Sound:
    """Return the response of one resonance, 1 at its centre, half as much one width beside it."""
    return np.asarray(1.0 / (1.0 + ((at_hz - centre_hz) / width_hz) ** 2))


def noise_band(rng: np.random.Generator, frames: int, low_hz: float, high_hz: float) -> Sound:
    """Return noise of power 1 between two frequencies, with soft edges."""
    at_hz = np.fft.rfftfreq(frames, 1.0 / SAMPLE_RATE_HZ)
    passed = 1.0 / (1.0 + (low_hz / np.maximum(at_hz, 1.0)) ** 4) / (1.0 + (at_hz / high_hz) ** 4)
    noise = np.fft.irfft(np.fft.rfft(uniform_noise(rng, frames)) * passed, frames)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def in_room(sound: Sound, rng: np.random.Generator, wet: float, decay_s: float = 0.16) -> Sound:
    """Return the sound with a small room's reverberation, `wet` times as strong; decay_s is the time to fall to 1/e."""
    frames = round(6 * decay_s * SAMPLE_RATE_HZ)
    time_s = np.arange(frames) / SAMPLE_RATE_HZ
    answer = smoothed(uniform_noise(rng, frames), 1.5e-4) * np.exp(-time_s / decay_s) * (time_s > 0.006)
    answer *= wet / np.sqrt(np.sum(answer**2))
    size = sound.size + frames
    echo = np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(answer, size), size)
    return np.asarray(sound + echo[: sound.size])


def room_tone(rng: np.random.Generator, level_dbfs: float) -> Sound:
    """Return background noise: hiss and a little rumble at this RMS level in dBFS of a sine."""
    hiss = 0.8 * noise_band(rng, FRAMES, 60.0, 9000.0) + 0.6 * noise_band(rng, FRAMES, 40.0, 220.0)
    return np.asarray(hiss * np.sqrt(power_from_dbfs_rms(level_dbfs)))


def quantised(sound: Sound, rng: np.random.Generator) -> Codes:
    """Return the codes on the 24-bit grid, with triangular dither; what is too loud stops at full scale.

    The shape stays, (frames,) or (frames, channels).
    """
    dither = rng.random(sound.shape) - rng.random(sound.shape)
    scaled = np.rint(sound * (CODE_MAX + 1) + dither)
    return np.clip(scaled, -CODE_MAX - 1, CODE_MAX).astype(np.int32)
