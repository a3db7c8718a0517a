"""The plucked and struck instruments: in tune, quick to start, fading."""

import numpy as np
import pytest

from stager.demo.score import FRAMES, Note, hz_from_key
from stager.demo.strokes import drone, hand_drums, lute
from stager.demo.synthesis import Sound, generator


def _power(sound: Sound, start: int, stop: int) -> float:
    return float(np.mean(sound[start:stop] ** 2))


@pytest.mark.parametrize("key", [50, 57, 62, 65])
def test_a_plucked_string_is_in_tune(key: int) -> None:
    """The loop's fractional delay puts the fundamental within 10 cents of its key."""
    sound = lute((Note(0.0, 4.0, key),), generator(1, 0))[:, 0]
    spectrum = np.abs(np.fft.rfft(sound[:96_000] * np.hanning(96_000), 768_000))
    near = spectrum[round(hz_from_key(key - 1) * 16) : round(hz_from_key(key + 1) * 16)]
    heard_hz = (np.argmax(near) + round(hz_from_key(key - 1) * 16)) / 16
    assert abs(1200 * np.log2(heard_hz / hz_from_key(key))) < 10


def test_a_pluck_starts_at_once_and_fades() -> None:
    """The first 20 ms are the loudest, and half a second later there is little left."""
    sound = lute((Note(0.0, 1.0, 62),), generator(2, 0))[:, 0]
    assert _power(sound, 0, 960) > 4 * _power(sound, 4_800, 5_760) > 40 * _power(sound, 36_000, 36_960)


def test_low_strings_lean_left() -> None:
    """The pair of microphones hears the low string louder on its left."""
    sound = lute((Note(0.0, 1.0, 50),), generator(3, 0))
    assert sound.shape == (FRAMES, 2)
    assert _power(sound[:, 0], 0, 9_600) > 2 * _power(sound[:, 1], 0, 9_600)


def test_the_drone_stays_below_its_preamplifier() -> None:
    """However many strings ring, the soft curve of the preamplifier keeps the signal within 1."""
    notes = tuple(Note(0.25 * number, 4.0, 50) for number in range(16))
    sound = drone(notes, generator(4, 0))
    assert sound.shape == (FRAMES, 2)
    assert np.abs(sound).max() < 1.0


@pytest.mark.parametrize("kind", ["deep", "open", "rim"])
def test_every_stroke_is_heard_where_it_is_written(kind: str) -> None:
    """A stroke on beat 1 is silent before and loud within 15 ms."""
    sound = hand_drums(((1.0, kind, 1.0),), generator(5, 0))
    start = round(60 / 92 * 48_000)
    assert np.abs(sound[: start - 1]).max() < 1e-9
    assert np.abs(sound[start : start + 720]).max() > 0.2
