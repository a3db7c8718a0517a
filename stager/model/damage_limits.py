"""From where on damage counts as such: one record, whose fields a role may set by name."""

from pydantic import Field

from stager.model.base import Record


class DamageLimits(Record):
    """Thresholds of the findings of damage.

    Sources: runs of 4 and presets of 4, 8 or 16 samples are the practice of replication plants and recorders of the
    1980s and 1990s ("over" after so many samples at full scale); three separate events and all shares are our own
    figures, tuned on invented sounds. The full-scale level is the top code of 16 bits (arithmetic: 1 - 2^-15), the
    coarsest converter in use. The tolerance of the true peak is the meter's own error.
    """

    clip_frames: int = Field(8, ge=3, le=10_000, description="samples at one extreme from which a channel is clipped")
    clip_events: int = Field(3, ge=2, le=10_000, description="separate tops at one extreme from which it is clipped")
    clip_full_scale_dbfs: float = Field(
        -0.00027, ge=-1.0, le=0.0, description="level from which an extreme is full scale, dBFS"
    )
    clip_flat_share: float = Field(
        0.5, ge=0.0, le=1.0, description="share of the tops of three samples and longer that must be flat"
    )
    clip_flat_least_share: float = Field(
        0.02,
        ge=0.0,
        le=1.0,
        description="share of all tops from which flat ones are enough; where fewer are, the short ones decide",
    )
    clip_varied_share: float = Field(
        0.5, ge=0.0, le=1.0, description="share of the tops of one or two samples that must differ in shape"
    )
    clip_kinds: int = Field(
        3,
        ge=1,
        le=3,
        description="shapes, where there are so many tops of one or two samples, that they must have; two that come "
        "back again and again may be of one stroke that is repeated",
    )
    clip_below_ratio: float = Field(
        0.5, ge=0.0, le=10.0, description="tops that end just under the extreme, at most, for each that reaches it"
    )
    clip_mirror_below_ratio: float = Field(
        3.0, ge=0.0, le=10.0, description="as clip_below_ratio, for tops at the level that the other side rests at"
    )
    clip_bend_ratio: float = Field(
        50.0, ge=1.0, le=10_000.0, description="how sharp short tops must be, in tolerances of the level"
    )
    clip_tolerance_share: float = Field(
        0.001, ge=0.0, le=0.1, description="tolerance over the level, up to which tops are said to be at one level"
    )
    clip_coarser_ratio: float = Field(
        1.5,
        ge=1.0,
        le=100.0,
        description="samples at an extreme by a coarser tolerance, over those by a finer, to prefer it",
    )
    clip_sure_bend: float = Field(
        0.5,
        ge=0.0,
        le=4.0,
        description="where all tops have one sample: how far the two beside them lie under them, over the level, to be "
        "surely no limiter's; the crests of a limited part stay round",
    )
    clip_sure_below_ratio: float = Field(
        0.35, ge=0.0, le=10.0, description="as clip_below_ratio, where all tops have one sample, to be sure"
    )
    clip_pair_share: float = Field(
        0.05, ge=0.0, le=1.0, description="share of tops of two samples up to which tops count as of one sample"
    )
    clip_stroke_s: float = Field(
        0.005,
        ge=0.0,
        le=1.0,
        description="where no more tops than clip_events agree, each of one sample and only as dither leaves them: how "
        "long they must be apart to be told, s",
    )
    square_stepped_share: float = Field(
        0.5, ge=0.0, le=1.0, description="share of tops that are stairs, from which a wave is square by itself"
    )
    inter_sample_over_dbtp: float = Field(
        0.01, ge=0.0, le=6.0, description="true peak above which a waveform passes full scale, dBTP"
    )
    dropout_most_jumps: int = Field(
        8, ge=0, le=8, description="jumps up to which they are told; more are the nature of the sound"
    )
