"""The sustained instruments: what a hand does to the notes, and what two microphones share."""

import numpy as np
import pytest

from stager.demo.instruments import Hand, Microphone, fiddle, harmonium, hummer, loosened, singer
from stager.demo.score import BEAT_S, FRAMES, Note, hz_from_key
from stager.demo.synthesis import Sound, generator

_STEADY = Hand(vibrato_hz=5.0, vibrato_depth=0.0, drift=0.0, looseness_s=(0.0, 0.0))
_LONG_A = (Note(0.0, 4.0, 69),)


def _strongest_hz(sound: Sound, below_hz: int) -> float:
    second = sound[24_000:72_000]
    return float(np.argmax(np.abs(np.fft.rfft(second * np.hanning(second.size)))[:below_hz]))


def test_a_loose_hand_misses_the_grid_within_its_range() -> None:
    """Each note is early or late by 10 to 30 ms, in both directions over a phrase, and keeps its key."""
    notes = tuple(Note(float(beat), 1.0, 62 + beat) for beat in range(12))
    played = loosened(notes, Hand(5.0, 0.2, 0.1, (0.010, 0.030)), generator(1, 0))
    missed_s = np.array([(late.beat - note.beat) * BEAT_S for late, note in zip(played, notes, strict=True)])
    assert np.all((np.abs(missed_s) >= 0.010) & (np.abs(missed_s) <= 0.030))
    assert missed_s.min() < 0 < missed_s.max()
    assert [note.key for note in played] == [note.key for note in notes]


@pytest.mark.parametrize("play", [fiddle, singer, hummer])
def test_a_line_sounds_at_the_pitch_of_its_note(play: object) -> None:
    """The fundamental of a held A is at 440 Hz and the stem has its length."""
    sound = play(_LONG_A, _STEADY, generator(2, 0))  # type: ignore[operator]
    assert sound.shape == (FRAMES,)
    assert _strongest_hz(sound, 600) == pytest.approx(440.0, abs=2.0)


def test_two_hands_play_the_same_notes_differently() -> None:
    """Another hand with another generator is not a copy of the first, however one shifts it by a few frames."""
    first = fiddle(_LONG_A, Hand(5.6, 0.2, 0.05), generator(3, 0))
    second = fiddle(_LONG_A, Hand(4.9, 0.3, 0.10), generator(4, 0))
    assert np.corrcoef(first, second)[0, 1] < 0.8


def test_the_reeds_beat_around_their_key() -> None:
    """A harmonium key is in tune to a few hertz."""
    sound = harmonium(_LONG_A, Microphone(1.0, 1.0, 1.1), generator(5, 0), generator(5, 1))
    assert _strongest_hz(sound, 600) == pytest.approx(hz_from_key(69), abs=3.0)


def test_two_microphones_hear_one_performance() -> None:
    """With the same playing, two standing places give stems that are alike and not identical."""
    left = harmonium(_LONG_A, Microphone(1.0, 1.0, 1.15), generator(6, 0), generator(6, 1))
    right = harmonium(_LONG_A, Microphone(0.7, 0.9, 1.0), generator(6, 0), generator(6, 2))
    assert 0.8 < np.corrcoef(left, right)[0, 1] < 0.9999
