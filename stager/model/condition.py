"""The condition of a file: its pause, constant offset, loudest event, and how its two sides are related."""

from stager.model.base import Record


class Pause(Record):
    """A second or more of steady sound while the part pauses: where its noise can be heard by itself.

    `level_dbfs` is RMS in dBFS of a sine (AES17); `at_s` and `length_s` place it.
    """

    at_s: float
    length_s: float
    level_dbfs: float


class SteadyNoise(Record):
    """Noise that stays at one level under a part which never pauses.

    `level_dbfs` is RMS in dBFS of a sine (AES17); `at_s` is where the part is quietest.
    """

    level_dbfs: float
    at_s: float


class OffsetStretch(Record):
    """Half a second or more of a channel whose mean lies off zero by a quarter of its RMS or more.

    `level_linear` is the median of the means of its 400 ms blocks; 1.0 is full scale.
    """

    at_s: float
    length_s: float
    level_linear: float


class Offset(Record):
    """The constant part of one channel, from the means of its 400 ms blocks; 1.0 is full scale.

    `median_linear` is the median of those means, `same_sign_ratio` the share of blocks whose mean has its sign,
    `quiet_linear` the median over the quietest quarter of blocks. Blocks that hold 100 ms of digital zeros are left
    out; `covered_s` is what the others cover. `stretch` is where the offset is plain to see, None where it is nowhere.
    """

    median_linear: float
    same_sign_ratio: float
    quiet_linear: float
    covered_s: float
    stretch: OffsetStretch | None = None


class Band(Record):
    """How left and right correlate in one part of the spectrum.

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
    """How the two sides of a stereo file are related.

    `identical` says that every sample of one side is the other's. `delay_frames` is by how much the right side comes
    after the left (before it, where negative), to parts of a frame, None where no single delay stands out; `inverted`
    says whether the sides are opposite in polarity once that delay is taken out. `sharpness` is how far the delay
    stands out: its peak over the next best. `windows` is how many places in the file were compared.
    """

    identical: bool
    delay_frames: float | None
    delay_s: float | None
    inverted: bool | None
    sharpness: float | None
    windows: int
    bands: tuple[Band, ...]


class LoudestEvent(Record):
    """The loudest moment of a file, and the levels of the rest.

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
    """The pause of the loudest channel, the offset of each channel, how two sides relate, and the loudest event.

    `noise` is that of the loudest channel where it has no steady pause.
    """

    pause: Pause | None = None
    noise: SteadyNoise | None = None
    offsets: tuple[Offset | None, ...] = ()
    microphones: Microphones | None = None
    loudest_event: LoudestEvent | None = None
