"""The sum of all stems: its parts, its forecast, the balance restored by faders, the match with a rough mix."""

from pathlib import Path
from typing import Literal

from pydantic import Field

from stager.model.base import Record

Side = Literal["left", "right"]
Pairs = tuple[tuple[float, float], ...]


class Part(Record):
    """One file as it goes into the sum.

    `gain_db` is the fader: 0 for a copy, the trim for an original that has no copy yet, minus the trim where the rough
    balance is to come back. `pan` runs from -1 left to 1 right. `start_frames` is its time stamp in frames of its own
    rate; without one it starts where the first of the others does.
    """

    path: Path
    name: str
    gain_db: float = 0.0
    pan: float = Field(0.0, ge=-1.0, le=1.0)
    start_frames: int | None = Field(None, ge=0)


class LeftOut(Record):
    """A file that is not in the sum: `reason` is a refusal code, `rate_differs` or `no_counterpart`."""

    name: str
    reason: str
    says: str


class Contribution(Record):
    """One stem's contribution to the bus's highest peak, at that moment, on that side.

    `share` is its part of the peak, of one sign with it where it is positive; the shares of all stems add up to 1.
    """

    stem: str
    share: float
    level_dbfs: float | None


class BusForecast(Record):
    """The sum of all stems at unity faders. Silence is None.

    `at_s` is the place of the true peak from the first start on, `side` where it is. `room_db` is the distance from
    the true peak to `ceiling_dbtp`; `uniform_offset_db` the same in whole steps, rounded down: below 0 what every trim
    must go down by, above 0 what all of them could go up by. `bus_power` and `mean_part_power` are mean squares over
    the whole length, both sides added; `part_powers` is that of each stem.
    `overview` has the smallest and largest sample of at most 1,000 stretches of
    `stretch_s`, left and right. `without_stamp` and `stamps_doubted` name the stems that start at 0 for want of a time
    stamp, or because theirs lies far from the others'.
    """

    parts: int
    sample_rate_hz: int | None
    duration_s: float
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    loudness_lufs: float | None
    at_s: float | None
    side: Side | None
    loudest: tuple[Contribution, ...] = ()
    pan_law_db: float
    ceiling_dbtp: float
    step_db: float
    room_db: float | None
    uniform_offset_db: float | None
    bus_power: float
    mean_part_power: float
    without_stamp: tuple[str, ...] = ()
    stamps_doubted: tuple[str, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    part_powers: dict[str, float] = Field(default_factory=dict, exclude=True)
    stretch_s: float = 0.0
    overview: tuple[Pairs, Pairs] = ((), ())


class Room(Record):
    """The forecast of the bus with `more` parts like the present ones."""

    more: int
    rise_db: float
    true_peak_dbtp: float
    room_db: float
    says: str


class PlannedBus(Record):
    """What the bus is expected to do once the planned parts are there: its true peak as a range.

    `parts` counts them; `unknown` names those whose `like` or `role` is no stem's: they count as the mean of all stems.
    """

    parts: int
    rise_db: float
    low_dbtp: float
    high_dbtp: float
    unknown: tuple[str, ...] = ()
    says: str


class BalanceResidual(Record):
    """The difference between the sum of the copies, faders moved back, and the sum of their originals.

    Levels over both sides and the whole length; RMS in dBFS of a sine (AES17). `expected_rms_dbfs` is the copies'
    dither and rounding behind their faders; None where no copy lies on an integer grid anew.
    """

    parts: int
    residual_peak_dbfs: float | None
    residual_rms_dbfs: float | None
    expected_rms_dbfs: float | None
    restored: bool
    left_out: tuple[LeftOut, ...] = ()
    says: str


class RoughPlace(Record):
    """A stretch in which the stems do not add up to the rough mix; the residual is against the whole mix's level."""

    start_s: float
    end_s: float
    residual_db: float


class StemDeviation(Record):
    """A stem that a rough mix lacks, or has at another level, between two places of the mix.

    `level_db` is its level in the mix against that of the other stems; None: none of it is there.
    """

    stem: str
    level_db: float | None
    start_s: float
    end_s: float


class RoughMatch(Record):
    """How the sum of the stems compares with a rough mix of them.

    The sum starts `lag_s` after the mix does (negative: before it), and `gain_db` brings it to the mix's level, with
    the polarity turned over where `flipped`. `similarity` is their correlation at that lag, 0 to 1. `residual_db` is
    what is left against the mix's level; `residuals_db` the same for each window of `window_s` of the mix. None:
    nothing is left, or there is nothing to compare.
    """

    lag_s: float
    gain_db: float | None
    flipped: bool
    similarity: float
    residual_db: float | None
    window_s: float
    residuals_db: tuple[float | None, ...] = ()
    places: tuple[RoughPlace, ...] = ()
    deviations: tuple[StemDeviation, ...] = ()
    adds_up: bool
    left_out: tuple[LeftOut, ...] = ()
    says: str
