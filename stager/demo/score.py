"""The score of "Salt Road": three bars in D minor at 92 beats a minute, one table of notes a part.

Keys are counted in semitones with the A of 440 Hz as 69, so D4 is 62. Beats are quarter notes from the start.
"""

from dataclasses import dataclass
from typing import Final

TEMPO_BPM: Final = 92
"""Beats a minute; every part plays on this grid."""

BEAT_S: Final = 60.0 / TEMPO_BPM
"""One beat in seconds."""

SAMPLE_RATE_HZ: Final = 48_000
"""Sample rate of every stem."""

LENGTH_S: Final = 8
"""Length of every stem: three bars, and their last sound ringing out."""

FRAMES: Final = SAMPLE_RATE_HZ * LENGTH_S
"""Length of every stem in frames."""

_A4_KEY: Final = 69
_A4_HZ: Final = 440.0


@dataclass(frozen=True)
class Note:
    """One note: where it starts and how long it lasts in beats, its key in semitones, its strength as a factor."""

    beat: float
    beats: float
    key: float
    strength: float = 1.0

    @property
    def start(self) -> int:
        """First frame of the note."""
        return max(0, round(self.beat * BEAT_S * SAMPLE_RATE_HZ))

    @property
    def end(self) -> int:
        """First frame after the note, never beyond the stem."""
        return min(FRAMES, round((self.beat + self.beats) * BEAT_S * SAMPLE_RATE_HZ))


Notes = tuple[Note, ...]


def hz_from_key(key: float) -> float:
    """Return the pitch in Hz of a key in equal temperament."""
    return float(_A4_HZ * 2.0 ** ((key - _A4_KEY) / 12.0))


FIDDLE: Final[Notes] = (
    Note(0.0, 1.5, 69, 0.8),
    Note(1.5, 0.5, 74, 0.9),
    Note(2.0, 1.0, 77, 1.0),
    Note(3.0, 0.7, 76, 0.8),
    Note(4.25, 0.75, 74, 0.8),
    Note(5.0, 0.5, 72, 0.85),
    Note(5.5, 0.5, 70, 0.85),
    Note(6.0, 1.4, 72, 1.0),
    Note(8.0, 0.5, 70, 0.8),
    Note(8.5, 0.5, 74, 0.95),
    Note(9.0, 0.5, 72, 0.9),
    Note(9.5, 0.5, 69, 0.85),
    Note(10.0, 1.75, 74, 1.0),
)
"""The tune, in three bows with a breath between them."""

LEAD: Final[Notes] = (
    Note(0.5, 0.5, 62, 0.7),
    Note(1.0, 1.0, 65, 0.9),
    Note(2.0, 0.5, 67, 0.9),
    Note(2.5, 0.9, 69, 1.0),
    Note(4.0, 0.5, 70, 1.0),
    Note(4.5, 0.5, 69, 0.9),
    Note(5.0, 0.75, 65, 0.8),
    Note(6.0, 0.5, 64, 0.8),
    Note(6.5, 1.0, 67, 0.95),
    Note(8.5, 0.5, 67, 0.8),
    Note(9.0, 0.5, 69, 0.9),
    Note(9.5, 0.5, 64, 0.7),
    Note(10.0, 1.6, 62, 0.9),
)
"""The first singer: four short lines, a syllable a note."""

ANSWER: Final[Notes] = (
    Note(1.0, 2.6, 57, 0.8),
    Note(4.0, 1.9, 58, 0.9),
    Note(6.0, 1.6, 60, 0.9),
    Note(8.0, 1.0, 58, 0.8),
    Note(9.0, 0.9, 57, 0.8),
    Note(10.0, 1.8, 53, 0.9),
)
"""The second singer: long low notes under the first."""

HARMONIUM: Final[Notes] = (
    *(Note(0.0, 3.8, key, strength) for key, strength in ((50, 1.0), (57, 0.8), (62, 0.8), (65, 0.7))),
    *(Note(4.0, 1.9, key, strength) for key, strength in ((46, 1.0), (58, 0.8), (62, 0.8), (65, 0.7))),
    *(Note(6.0, 1.75, key, strength) for key, strength in ((48, 1.0), (55, 0.8), (60, 0.8), (64, 0.7))),
    *(Note(8.0, 0.92, key, strength) for key, strength in ((43, 1.0), (58, 0.8), (62, 0.8), (67, 0.7))),
    *(Note(9.0, 0.92, key, strength) for key, strength in ((45, 1.0), (57, 0.8), (60, 0.8), (64, 0.7))),
    *(Note(10.0, 1.7, key, strength) for key, strength in ((50, 1.0), (57, 0.8), (62, 0.8), (65, 0.7))),
)
"""The chords: Dm, Bb, C, Gm, Am, Dm, with the bass note first."""

DRONE: Final[Notes] = tuple(
    Note(round_start + step, 4.5, key, strength)
    for round_start in (0.0, 4.0, 8.0)
    for step, key, strength in ((0.0, 57, 0.8), (1.0, 62, 0.9), (1.75, 62, 0.85), (2.5, 50, 1.0))
)
"""Four open strings in turn, once a bar, each left ringing."""

LUTE: Final[Notes] = (
    Note(0.0, 1.5, 50, 1.0),
    Note(0.5, 0.5, 62, 0.7),
    Note(0.75, 0.5, 64, 0.75),
    Note(1.0, 1.0, 65, 0.9),
    Note(5.0, 0.5, 65, 0.75),
    Note(5.25, 0.5, 64, 0.7),
    Note(5.5, 0.5, 62, 0.75),
    Note(5.75, 1.0, 60, 0.85),
    Note(10.5, 0.5, 57, 0.75),
    Note(10.75, 0.5, 60, 0.75),
    Note(11.0, 1.0, 62, 0.9),
    Note(11.0, 1.0, 50, 1.0),
)
"""Three short runs between the others' lines, and long pauses."""

_BAR_OF_STROKES: Final = (
    (0.0, "deep", 1.0),
    (0.0, "open", 0.7),
    (0.75, "rim", 0.45),
    (1.0, "rim", 0.8),
    (1.5, "open", 0.5),
    (1.75, "rim", 0.4),
    (2.0, "deep", 0.75),
    (2.5, "rim", 0.7),
    (2.75, "open", 0.45),
    (3.0, "open", 0.8),
    (3.25, "rim", 0.35),
    (3.5, "deep", 0.6),
    (3.75, "rim", 0.5),
)

STROKES: Final[tuple[tuple[float, str, float], ...]] = (
    *((bar + beat, drum, strength) for bar in (0.0, 4.0) for beat, drum, strength in _BAR_OF_STROKES),
    *((8.0 + beat, drum, strength) for beat, drum, strength in _BAR_OF_STROKES if beat <= 3.0),
)
"""The hand drums as (beat, stroke, strength): "deep" on the low drum, "open" and "rim" on the high one."""
