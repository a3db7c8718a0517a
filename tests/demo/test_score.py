"""The score: its grid and its notes."""

import pytest

from stager.demo import score
from stager.demo.score import BEAT_S, FRAMES, Note, hz_from_key

_D_MINOR = {0, 2, 4, 5, 7, 9, 10}
_PARTS = ("FIDDLE", "LEAD", "ANSWER", "HARMONIUM", "DRONE", "LUTE")


def test_the_reference_key_is_440_hz() -> None:
    """Key 69 is 440 Hz, and twelve keys are an octave."""
    assert hz_from_key(69) == 440.0
    assert hz_from_key(57) == pytest.approx(220.0)


def test_notes_lie_on_the_common_grid() -> None:
    """A note's frames follow from its beats at 92 a minute."""
    note = Note(4.0, 1.0, 62)
    assert pytest.approx(60 / 92) == BEAT_S
    assert (note.start, note.end) == (round(240 / 92 * 48_000), round(300 / 92 * 48_000))


def test_a_note_stays_within_the_stem() -> None:
    """An early note starts with the stem and a late one ends with it."""
    assert Note(-0.1, 1.0, 62).start == 0
    assert Note(12.0, 9.0, 62).end == FRAMES


@pytest.mark.parametrize("part", _PARTS)
def test_every_note_belongs_to_d_minor(part: str) -> None:
    """No part leaves the scale of D minor."""
    assert {round(note.key) % 12 for note in getattr(score, part)} <= _D_MINOR


@pytest.mark.parametrize("part", _PARTS)
def test_notes_come_in_their_order(part: str) -> None:
    """Curves over a stem are laid note by note, so no note may start before the one it follows."""
    beats = [note.beat for note in getattr(score, part)]
    assert beats == sorted(beats)
