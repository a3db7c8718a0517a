"""Every threshold of the findings about condition and channels, of input advice, and of learning over takes.

They can be set by name. A description ends with where the figure comes from: a source, "common practice, no source", or
"own figure" with its reason.
"""

from pydantic import Field

from stager.model.base import Record


class ConditionLimits(Record):
    """Thresholds with their defaults; levels of noise and hum are RMS in dBFS of a sine (AES17), after the trim."""

    noise_usable_dbfs: float = Field(
        -60.0,
        ge=-120.0,
        le=0.0,
        description="dBFS RMS; noise over this is told. Common practice, no source: the limit that is usual for the "
        "delivery of spoken word",
    )
    noise_listen_dbfs: float = Field(
        -50.0,
        ge=-120.0,
        le=0.0,
        description="dBFS RMS; noise over this asks to be listened to. Own figure: at a part of -18 dBFS it stands "
        "32 dB under the sound, where no other part hides it in a quiet song",
    )
    take_average_dbfs: float = Field(
        -18.0,
        ge=-80.0,
        le=0.0,
        description="dBFS RMS; a take, which has no trim, is judged as if it were brought to this average. The "
        "default of [target] level_db",
    )
    hum_usable_dbfs: float = Field(
        -70.0,
        ge=-120.0,
        le=0.0,
        description="dBFS RMS; hum over this is told. Own figure: 10 dB under the limit for noise, since a tone is "
        "heard through noise of its own level",
    )
    hum_listen_dbfs: float = Field(
        -55.0,
        ge=-120.0,
        le=0.0,
        description="dBFS RMS; hum over this asks to be listened to. Own figure: 5 dB under the limit for noise, for "
        "the same reason",
    )
    dc_offset_linear: float = Field(
        0.001,
        ge=0.0,
        le=1.0,
        description="part of full scale; a constant part over this is told. Common practice, no source",
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
        description="dB between the sides that are told. Own figure: the sound then clearly leans to one speaker",
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
        description="ms between the sides under which a delay is not told. Own figure: every one is a fact of the file",
    )
    delay_apart_ms: float = Field(
        0.2,
        ge=0.0,
        le=20.0,
        description="ms between the sides under which they are said to be in one place, with nothing to move. Own "
        "figure: 7 cm of way, less than a pair is set up by hand",
    )
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
        description="dB between takes of one part that are worth a word. Own figure: one player's takes differ less",
    )
    take_noise_moved_db: float = Field(
        1.5,
        ge=0.1,
        le=20.0,
        description="dB within which two noise floors count as the same. Own figure: a room keeps its noise to about "
        "1 dB from take to take",
    )
