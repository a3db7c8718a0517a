"""The figures of a comparison of two stems, how they are related, and a proposed link."""

from enum import StrEnum

from stager.model.base import Record


class Kinship(StrEnum):
    """How two stems are related."""

    COPY = "copy"
    """The same samples: moved, filtered, inverted, at another level or speed, or in a room."""
    SAME_TAKE = "same_take"
    """One performance heard twice: two microphones, a line and its amplifier, the two sides of a pair."""
    TWO_PERFORMANCES = "two_performances"
    UNSURE = "unsure"


class LagTrack(Record):
    """The lag of the second stem against the first over time, fitted by a line through windows of 0.2 s.

    `lag_ms` is the lag at the first stem's beginning and `drift_ppm` its slope in millionths; positive is later.
    `support` is the share of windows, by weight, that agree with it, and `spread_ms` the median distance from it.
    """

    lag_ms: float
    drift_ppm: float
    support: float
    spread_ms: float


class OnsetTrack(Record):
    """The lag of single hits or notes of the second stem against those of the first.

    `count` counts those found in both; `spread_ms` is the standard deviation of the lag, from its median distance;
    `alike` is the share of hits whose waveforms are the same.
    """

    count: int
    lag_ms: float
    spread_ms: float
    alike: float


class PairLikeness(Record):
    """All figures by which two stems were compared.

    `similarity` is the median over windows, 0 to 1, of the best correlation within 60 ms. The three depths say by how
    many dB one stem cancels the other, through a level alone, a filter of 8 ms and a room of 0.6 s; `driven_depth_db`
    is that through a filter once one was driven like an amplifier. None where it wasn't computed. `pitch_cents` is
    by how many cents the second is higher, where a shift in pitch alone makes its waveform the first's. `level_db` is
    the second's level over the first's. `at_s` are places where both play, on the first's time.
    """

    compared_s: float = 0.0
    windows: int = 0
    similarity: float = 0.0
    track: LagTrack | None = None
    onsets: OnsetTrack | None = None
    flipped: bool = False
    level_db: float | None = None
    level_depth_db: float | None = None
    filter_depth_db: float | None = None
    room_depth_db: float | None = None
    driven_depth_db: float | None = None
    pitch_cents: float | None = None
    at_s: tuple[float, ...] = ()


class LinkProposal(Record):
    """Stems that would do well to share one trim: their names, and a sentence with the lines for the project file."""

    match: tuple[str, ...]
    says: str
