"""What a file's condition is found to be: its pauses, constant part, loudest moment, and what its sides share."""

from stager.model.base import Record


class Pause(Record):
    """A second and more of steady sound while the part pauses: where its noise can be heard by itself.

    `level_dbfs` is RMS in dBFS of a sine (AES17); `at_s` and `length_s` place it.
    """

    at_s: float
    length_s: float
    level_dbfs: float


class Offset(Record):
    """The constant part of one channel, from the means of its 400 ms blocks; 1.0 is full scale.

    `median_linear` is the median of those means, `same_sign_ratio` the share of blocks whose mean has its sign,
    `quiet_linear` the median over the quietest quarter of blocks. Blocks that hold 100 ms of digital zeros are left
    out; `covered_s` is what the others cover.
    """

    median_linear: float
    same_sign_ratio: float
    quiet_linear: float
    covered_s: float


class Band(Record):
    """How left and right go together in one part of the spectrum.

    `power_share` is the band's part of the power of all bands. `correlation` runs from -1 to 1, None where a side is
    silent there; `mono_loss_db` is what folding to (L + R) / 2 does to the mean power of the sides, None where there
    is nothing to fold, or nothing is left.
    """

    name: str
    low_hz: float
    high_hz: float
    power_share: float
    correlation: float | None
    mono_loss_db: float | None


class Microphones(Record):
    """What the two sides of a stereo file have to do with each other.

    `identical` says that every sample of one side is the other's. `delay_frames` is by how much the right side comes
    after the left (before it, where negative), to parts of a frame, None where no single delay stands out; `inverted`
    says whether the sides are opposite in polarity once that delay is taken out. `sharpness` is how far the delay
    stands out: its peak over the next best. `windows` is how many places in the file were looked at.
    """

    identical: bool
    delay_frames: float | None
    delay_s: float | None
    inverted: bool | None
    sharpness: float | None
    windows: int
    bands: tuple[Band, ...]


class LoudestEvent(Record):
    """The one loudest moment of a file, and what is left without it.

    It lasts from `start_s` to `stop_s`, with its peak in the tenth of a second from `at_s`. `rest_peak_dbfs` is the
    highest sample outside of it, `rest_average_dbfs` the average there in dBFS RMS of a sine; None where there is none.
    """

    at_s: float
    start_s: float
    stop_s: float
    peak_dbfs: float
    rest_peak_dbfs: float | None
    rest_average_dbfs: float | None


class Condition(Record):
    """All of it: of the loudest channel for the pause, of every channel for the offset, of two sides for the pair."""

    pause: Pause | None = None
    offsets: tuple[Offset | None, ...] = ()
    microphones: Microphones | None = None
    loudest_event: LoudestEvent | None = None
