"""Every threshold of the findings, of input advice, and of the comparison of takes; a project file sets them by name.

One record for each kind of judgement, and `Limits` with the fields of all of them. A description begins with the unit
and ends with where the figure comes from: a source, "common practice, no source", or "own figure" with its reason.
"""

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
    clip_coarse_events: int = Field(
        20,
        ge=1,
        le=100_000,
        description="tops from which sound once stored with few bits is reported, as listen at most: on its coarse "
        "levels crests meet by chance",
    )
    clip_stroke_s: float = Field(
        0.005,
        ge=0.0,
        le=1.0,
        description="where no more tops than clip_events agree, each of one sample and only as dither leaves them: how "
        "long they must be apart to be reported, s",
    )
    pile_density_ratio: float = Field(
        3.3,
        ge=1.0,
        le=1000.0,
        description="crests per level where they pile up, over those 12 to 20 % under it, from which something cut "
        "them before the sound was coded or resampled",
    )
    pile_events: int = Field(30, ge=12, le=100_000, description="crests that a pile must have")
    pile_sides_density_ratio: float = Field(
        5.0,
        ge=2.0,
        le=1000.0,
        description="as pile_density_ratio, both sides of a channel together, where they pile up at one level",
    )
    pile_sides_apart_ratio: float = Field(
        0.02, ge=0.0, le=0.5, description="part of its level by which the other side's may differ to be one level"
    )
    pile_chance_events: float = Field(
        4.0,
        ge=0.0,
        le=100_000.0,
        description="crests that a pile would have if it were as dense as those 12 to 20 % under it, at least; a "
        "steady tone, whose crests are all alike, has next to none there",
    )
    pile_curvature_variation: float = Field(
        0.48, ge=0.0, le=10.0, description="standard deviation of their curvature over its mean; a steady tone has less"
    )
    pile_below_share: float = Field(
        0.05, ge=0.0, le=10.0, description="crests up to 7 dB under it for each in it; a steady tone has fewer"
    )
    square_stepped_share: float = Field(
        0.5, ge=0.0, le=1.0, description="share of tops that are stairs, from which a wave is square by itself"
    )
    inter_sample_over_dbtp: float = Field(
        0.01, ge=0.0, le=6.0, description="true peak above which a waveform passes full scale, dBTP"
    )
    dropout_least_s: float = Field(
        0.0003, ge=0.0, le=0.05, description="s that a value must be held, beside 16 samples"
    )
    dropout_edge_steps: float = Field(
        6.0,
        ge=0.0,
        le=100.0,
        description="step into a held value or out of it, over the distance of the levels of sound once stored with "
        "few bits, at least: quiet sound rests on such a level",
    )
    dropout_most_jumps: int = Field(
        8, ge=0, le=8, description="jumps up to which they are reported; more are the nature of the sound"
    )


class ConditionLimits(Record):
    """Thresholds of noise, hum and offset; noise and hum are RMS in dBFS of a sine (AES17), after the trim."""

    noise_usable_dbfs: float = Field(
        -60.0,
        ge=-120.0,
        le=0.0,
        description="dBFS RMS; noise over this is reported. Common practice, no source: the usual limit "
        "for the delivery of spoken word",
    )
    noise_listen_dbfs: float = Field(
        -50.0,
        ge=-120.0,
        le=0.0,
        description="dBFS RMS; noise over this asks to be listened to. Own figure: at a part of -18 dBFS it stands "
        "32 dB under the sound, where no other part hides it in a quiet song",
    )
    hum_usable_dbfs: float = Field(
        -70.0,
        ge=-120.0,
        le=0.0,
        description="dBFS RMS; hum over this is reported. Own figure: 10 dB under the limit for noise, since a tone is "
        "heard through noise of its own level",
    )
    hum_listen_dbfs: float = Field(
        -55.0,
        ge=-120.0,
        le=0.0,
        description="dBFS RMS; hum over this asks to be listened to. Own figure: 5 dB under the limit for noise, for "
        "the same reason",
    )
    take_average_dbfs: float = Field(
        -18.0,
        ge=-80.0,
        le=0.0,
        description="dBFS RMS; a take, which has no trim, is judged as if it were brought to this average. The "
        "default of [target] level_db",
    )
    dc_offset_linear: float = Field(
        0.001,
        ge=0.0,
        le=1.0,
        description="part of full scale; a constant part over this is reported. Common practice, no source",
    )
    dc_same_sign_ratio: float = Field(
        0.9,
        ge=0.5,
        le=1.0,
        description="share of 400 ms blocks whose mean has the sign of the offset. Own figure: sound leans to either "
        "side by turns, an offset does not",
    )
    dc_quiet_ratio: float = Field(
        0.5,
        ge=0.0,
        le=1.0,
        description="part of the offset that must remain in the quietest quarter of the blocks. Own figure: a drum "
        "leans to one side only while it sounds",
    )
    dc_shortest_s: float = Field(
        5.0,
        ge=0.0,
        le=600.0,
        description="s of sound that an offset is judged on. Own figure: fewer blocks than 50 make no nine in ten",
    )


class ChannelLimits(Record):
    """Thresholds of the findings about the two sides of a stereo file."""

    dual_mono_balance_db: float = Field(
        0.1,
        ge=0.0,
        le=6.0,
        description="dB between sides that count as equally loud. Own figure: under what anybody hears",
    )
    dual_mono_residual_db: float = Field(
        -50.0,
        ge=-120.0,
        le=-10.0,
        description="dB; what is left of one side when the other is taken out of it, against that side. Own figure: "
        "two microphones, or two takes, leave far more; dither and the noise of two preamplifiers leave less",
    )
    one_sided_db: float = Field(
        30.0,
        ge=6.0,
        le=120.0,
        description="dB that a side may lie under the other before the stem counts as one-sided. Own figure: the "
        "quieter side then adds nothing that is heard",
    )
    side_imbalance_db: float = Field(
        6.0,
        ge=0.5,
        le=60.0,
        description="dB between the sides that are reported. Own figure: the sound then clearly leans to one speaker",
    )
    take_imbalance_db: float = Field(
        3.0,
        ge=0.5,
        le=60.0,
        description="dB between the sides of a take that are reported. Own figure: before the next take the quieter "
        "input can still be turned up; the sound then sits clearly beside the middle",
    )
    side_imbalance_listen_db: float = Field(
        12.0,
        ge=0.5,
        le=60.0,
        description="dB between the sides that ask to be listened to, where they are not one panned sound. Own figure: "
        "a stereo part may lean on purpose, but not by this much",
    )
    flipped_correlation: float = Field(
        -0.5,
        ge=-1.0,
        le=0.0,
        description="correlation, of the lowest band that carries sound, at or under which a side counts as upside "
        "down where no delay is found. Own figure: microphones apart come near zero, not here",
    )
    mono_loss_db: float = Field(
        -6.0,
        ge=-60.0,
        le=-3.1,
        description="dB that a band may lose when both sides are played as one. By algebra independent sides lose "
        "3.01 dB, and a loss of 6.02 is a correlation of -0.5; that this is too much is our own figure",
    )
    band_share: float = Field(
        0.1,
        ge=0.0,
        le=1.0,
        description="part of a stem's power that a band must carry to be judged. Own figure: 10 dB under the whole, "
        "it is what the stem sounds of",
    )
    delay_ms: float = Field(
        0.0,
        ge=0.0,
        le=20.0,
        description="ms; a delay between the sides under this is not reported. Own figure: every one is a fact",
    )
    delay_apart_ms: float = Field(
        0.2,
        ge=0.0,
        le=20.0,
        description="ms between the sides under which they are said to be in one place, with nothing to move. Own "
        "figure: 7 cm of way, less than a pair is set up by hand",
    )


class TakeLimits(Record):
    """Thresholds of input advice, and of the comparison of a take with earlier ones of its part."""

    event_stands_out_db: float = Field(
        5.0,
        ge=0.0,
        le=60.0,
        description="dB by which one moment must stand over all the rest to be left out of input advice. Own figure: "
        "an accent is 3 or 4 dB over the next one, a bump more",
    )
    clipped_least_db: int = Field(
        6,
        ge=0,
        le=40,
        description="dB that a clipped take is turned down by at least, since nobody knows how far it went over. Own "
        "figure: half of the voltage",
    )
    level_check_s: float = Field(
        20.0,
        ge=0.0,
        le=600.0,
        description="s; a take shorter than this may be a level check. Own figure",
    )
    performance_louder_db: float = Field(
        10.0,
        ge=0.0,
        le=40.0,
        description="dB by which a performance may be louder than its level check. Common practice, no source: 6 to 10",
    )
    take_level_change_db: float = Field(
        2.0,
        ge=0.1,
        le=40.0,
        description="dB between takes of one part that are reported. Own figure: one player's takes differ less",
    )
    take_noise_moved_db: float = Field(
        1.5,
        ge=0.1,
        le=20.0,
        description="dB within which two noise floors count as the same. Own figure: a room keeps its noise to about "
        "1 dB from take to take",
    )


class Limits(DamageLimits, ConditionLimits, ChannelLimits, TakeLimits):
    """All thresholds, as the table `limits` of a role has them."""
