"""A take as it is remembered, and what several takes of one part say together."""

from typing import Literal

from stager.model.base import Record
from stager.model.finding import Verdict

WhatChanged = Literal["input", "playing", "noise"]


class TakeLevels(Record):
    """What a log of takes keeps of one: `stem` is its path below the folder of takes, `at` an ISO 8601 time.

    Average and noise floor are RMS in dBFS of a sine (AES17), the peak is the sample peak; None for silence, and for
    a part that never pauses.
    """

    stem: str
    at: str
    average_dbfs: float | None
    sample_peak_dbfs: float | None
    noise_floor_dbfs: float | None
    verdict: Verdict


class Learned(Record):
    """What the newest take tells beside the earlier ones of its part.

    `changed` is what moved: the input, the playing, or the noise alone. The changes in dB are of the newest take
    against `earlier`, the names of the takes before it that had one input gain; `says` is the sentence.
    """

    changed: WhatChanged
    earlier: tuple[str, ...]
    level_change_db: float
    noise_change_db: float
    says: str
