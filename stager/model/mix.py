"""A finished mix as it was judged: the public document `stager/mix/1`. Silence is None; times are in s."""

from typing import Final

from pydantic import Field

from stager.model.base import Record
from stager.model.finding import Finding, Verdict
from stager.model.levels import Levels
from stager.model.stem import SourceInfo

MIX_SCHEMA: Final = "stager/mix/1"


class DeliveryTarget(Record):
    """What a mix is held against: a published value with its source, or one that the person wrote down.

    `loudness_lufs` is integrated (ITU-R BS.1770); None where only the peak counts.
    """

    name: str
    source: str
    loudness_lufs: float | None
    true_peak_dbtp: float


class DeliveryResult(Record):
    """A mix beside one target: `loudness_over_lu` and `true_peak_over_db` are positive where the mix is over it."""

    target: DeliveryTarget
    loudness_over_lu: float | None
    true_peak_over_db: float | None


class CodedPeak(Record):
    """A mix after lossy coding and decoding.

    `kbit_s` is what the encoder made; `overs` counts decoded samples beyond full scale; `lower_db` is how much lower
    the mix must be bounced so that its true peak after this codec stays under the target, 0 where it does already.
    """

    codec: str
    kbit_s: float
    true_peak_dbtp: float | None
    overs: int
    lower_db: float


class MissingCodec(Record):
    """A codec that the audio library on this machine does not carry, or that has no rate near the mix's."""

    codec: str
    says: str


class BandFigure(Record):
    """Energy in one band, as a share of the whole, and what is lost of it in mono (0 or less; None for silence)."""

    from_hz: float
    to_hz: float
    share: float
    level_db: float | None
    mono_loss_db: float | None


class SidesFigure(Record):
    """Left and right over time: the lowest correlation of any 3 s that play, and where one side is missing."""

    lowest_correlation: float | None
    lowest_correlation_at_s: float | None
    left_out_s: tuple[tuple[float, float], ...] = ()
    right_out_s: tuple[tuple[float, float], ...] = ()


class EndsFigure(Record):
    """The first and the last moments of a mix.

    `silence_before_s` and `silence_after_s` are stretches under -60 dBFS. `first_peak_dbfs` is the highest sample of
    the first millisecond, `last_peak_dbfs` that of the last 5 ms. `rest_dbfs` is the level of the last
    0.3 s before the file ends or digital silence begins, `rest_spread_db` how far its blocks of 50 ms differ, and
    `rest_hz` the frequency of a mains line that makes most of it. `dc_linear` is the larger mean of the first and last
    50 ms, where that is more than what moves around it, else 0.
    """

    silence_before_s: float
    silence_after_s: float
    first_peak_dbfs: float | None
    last_peak_dbfs: float | None
    rest_dbfs: float | None
    rest_spread_db: float | None
    rest_hz: float | None
    dc_linear: float


class MixFigures(Record):
    """What is measured of a mix beside the levels that every stem has; `plr_db` is true peak less loudness."""

    plr_db: float | None
    bands: tuple[BandFigure, ...]
    sides: SidesFigure | None
    ends: EndsFigure
    coded: tuple[CodedPeak, ...] = ()
    missing_codecs: tuple[MissingCodec, ...] = ()


class MixAdvice(Record):
    """What to do before the mix is sent: `change_db` is 0 or less, never more, and `says` what it costs."""

    change_db: float = Field(le=0.0)
    loudness_after_lufs: float | None
    says: str


class Mix(Record):
    """One finished mix: measured and judged, never changed."""

    source: SourceInfo
    levels: Levels
    figures: MixFigures
    delivery: tuple[DeliveryResult, ...]
    findings: tuple[Finding, ...]
    verdict: Verdict
    advice: MixAdvice
