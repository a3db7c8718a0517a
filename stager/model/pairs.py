"""What comparing two stems told, and what is said about it."""

from enum import StrEnum

from stager.model.base import Record


class Kinship(StrEnum):
    """What two stems are to each other."""

    COPY = "copy"
    """The same samples, moved, filtered, turned over, at another level or speed, or in a room."""
    SAME_TAKE = "same_take"
    """One performance heard twice: two microphones, a line and its amplifier, the two sides of a pair."""
    TWO_PERFORMANCES = "two_performances"
    UNSURE = "unsure"


class LagTrack(Record):
    """How the lag runs over time, the second stem's against the first's, by windows of 0.2 s.

    `lag_ms` is the line's lag at the first stem's beginning and `drift_ppm` its slope in millionths; positive is later.
    `support` is the share of windows, by weight, that lie on the line, and `spread_ms` the median distance from it.
    """

    lag_ms: float
    drift_ppm: float
    support: float
    spread_ms: float


class HitTrack(Record):
    """How single hits or notes lie to each other, the second stem's against the first's.

    How many were found in both, the median lag, its standard deviation (from the median distance), and the share of
    hits whose waveforms are one and the same.
    """

    hits: int
    lag_ms: float
    spread_ms: float
    alike: float


class PairLikeness(Record):
    """Everything that two stems were compared by.

    `similarity` is the median over windows, 0 to 1, of the best correlation within 60 ms. The three depths say by how
    many dB one stem cancels the other, through a level alone, a filter of 8 ms and a room of 0.6 s; `driven_depth_db`
    is that through a filter once one was driven like an amplifier. None where it wasn't asked. `level_db` is the
    second's level over the first's. `at_s` are places where both play, on the first's time.
    """

    compared_s: float = 0.0
    windows: int = 0
    similarity: float = 0.0
    track: LagTrack | None = None
    hits: HitTrack | None = None
    flipped: bool = False
    level_db: float | None = None
    level_depth_db: float | None = None
    filter_depth_db: float | None = None
    room_depth_db: float | None = None
    driven_depth_db: float | None = None
    at_s: tuple[float, ...] = ()


class LinkProposal(Record):
    """Stems that would do well to share one trim: their names, and a sentence with the lines for the project file."""

    match: tuple[str, ...]
    says: str
