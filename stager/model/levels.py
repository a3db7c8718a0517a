"""The measured levels of a stem, and of each of its channels. Silence is None."""

from typing import Literal

from pydantic import Field

from stager.model.base import Record

Reference = Literal["sine", "square"]
"""Which signal's RMS reads 0 dBFS: the full-scale sine (AES17) or the full-scale square, 3.01 dB lower."""


class ChannelLevels(Record):
    """The levels of one channel; conventions as in `Levels`."""

    sample_peak_dbfs: float | None
    sample_peak_at_s: float | None
    true_peak_dbtp: float | None
    true_peak_at_s: float | None
    average_dbfs: float | None
    average_ungated_dbfs: float | None
    crest_db: float | None
    active_ratio: float
    dc_offset_linear: float


class Levels(Record):
    """The levels of a stem: of its highest channel for peaks, of the channels as the target says for averages.

    `average_dbfs` is gated and free of the constant part, `average_ungated_dbfs` and `dc_offset_linear` see the file as
    it is; both averages are RMS in the convention that `average_reference` names. `crest_db` is one channel's
    sample peak over the mathematical RMS of the same channel without its constant part, over the whole file (a sine:
    3.01); a stem has that of the channel with the highest sample peak. Figures that this version does not measure are
    None.
    """

    sample_peak_dbfs: float | None
    sample_peak_at_s: float | None
    true_peak_dbtp: float | None
    true_peak_at_s: float | None
    average_dbfs: float | None
    average_ungated_dbfs: float | None
    average_reference: Reference
    vu_dbfs: float | None = None
    loudness_lufs: float | None = None
    loudness_range_lu: float | None = None
    loudness_momentary_max_lufs: float | None = None
    loudness_short_term_max_lufs: float | None = None
    crest_db: float | None
    active_ratio: float
    noise_floor_dbfs: float | None = None
    hum_dbfs: float | None = None
    hum_hz: float | None = None
    dc_offset_linear: float
    correlation: float | None = None
    side_balance_db: float | None = None
    mono_loss_db: float | None = None
    per_channel: tuple[ChannelLevels, ...]
    extra: dict[str, float | None] = Field(default_factory=dict)
