"""Findings about two sides, from records alone: just past each border, and just short of it."""

from typing import Any

import pytest

from stager.judge.channels import balance_words, channel_findings, residual_db
from stager.model import ChannelLevels, Levels, Verdict
from stager.model.condition import Band, Microphones
from stager.model.limits import ChannelLimits
from tests.support.records import levels


def side(average_dbfs: float | None, peak_dbfs: float | None = -8.0) -> ChannelLevels:
    """One channel; where it has no average its level as a whole is its peak, as of steady noise."""
    ungated = peak_dbfs if average_dbfs is None else average_dbfs
    changes = {"average_dbfs": average_dbfs, "average_ungated_dbfs": ungated, "sample_peak_dbfs": peak_dbfs}
    return levels().per_channel[0].model_copy(update=changes)


def stem(**changes: Any) -> Levels:
    """A stereo stem like any other: sides equally loud, a little alike."""
    parts = {
        "correlation": 0.3,
        "side_balance_db": 0.0,
        "mono_loss_db": -1.9,
        "per_channel": (side(-20.0), side(-20.0)),
    }
    return levels(**{**parts, **changes})


def band(name: str = "lows", share: float = 0.5, correlation: float | None = 0.5, loss: float | None = -1.2) -> Band:
    return Band(name=name, low_hz=40.0, high_hz=250.0, power_share=share, correlation=correlation, mono_loss_db=loss)


def pair(*bands: Band, delay_frames: int | None = None, **changes: Any) -> Microphones:
    parts = {
        "identical": False,
        "delay_frames": delay_frames,
        "delay_s": None if delay_frames is None else delay_frames / 48_000,
        "inverted": None if delay_frames is None else False,
        "sharpness": 5.0,
        "windows": 20,
        "bands": bands,
    }
    return Microphones(**{**parts, **changes})


def codes(microphones: Microphones, of: Levels | None = None) -> list[str]:
    return [finding.code for finding in channel_findings(microphones, of or stem())]


def test_a_usual_pair_is_left_alone() -> None:
    """Sides a little alike and equally loud are what a stereo stem is."""
    assert codes(pair(band())) == []


def test_mono_and_silence_have_no_sides() -> None:
    """Without two sides, or without sound, nothing is said."""
    assert channel_findings(None, levels()) == []
    assert codes(pair(identical=True), stem(average_dbfs=None)) == []


def test_dual_mono_to_the_bit() -> None:
    """Equal samples are said to be equal to the bit: a fact, no fault."""
    (found,) = channel_findings(pair(band(), delay_frames=0, identical=True), stem(correlation=1.0))
    assert (found.code, found.verdict, found.channels) == ("dual_mono", Verdict.USABLE, (1, 2))
    assert "to the bit" in found.says


@pytest.mark.parametrize(
    ("correlation", "balance_db", "told"),
    [
        (0.999996, 0.0, True),
        (0.99999, 0.0, False),
        (0.999996, 0.1, True),
        (0.999996, -0.11, False),
        (1.0, 0.0, True),
        (-0.999996, 0.0, False),
    ],
)
def test_dual_mono_but_for_a_trace(correlation: float, balance_db: float, told: bool) -> None:
    """A residual 1 - r^2 of -50 dB (r = 0.999995) and a balance of 0.1 dB are the borders."""
    found = channel_findings(pair(band()), stem(correlation=correlation, side_balance_db=balance_db))
    assert [finding.code for finding in found] == (["dual_mono"] if told else [])
    assert all(
        "to the bit" not in finding.says and finding.says.startswith("Almost mono: left and right differ by a")
        for finding in found
    )


@pytest.mark.parametrize(("correlation", "expected"), [(0.999, -26.99), (0.0, 0.0), (-0.999, -26.99)])
def test_residual(correlation: float, expected: float) -> None:
    """What the other side leaves is 1 - r^2 of it (least squares): 10 log10(0.001999) at 0.999."""
    assert residual_db(stem(correlation=correlation)) == pytest.approx(expected, abs=0.01)


def test_no_residual_of_equal_sides() -> None:
    """Nothing is left of equal sides, and nothing is known without a correlation."""
    assert residual_db(stem(correlation=1.0)) is None
    assert residual_db(stem(correlation=None)) is None


@pytest.mark.parametrize(
    ("left", "right", "channel", "says"),
    [
        (side(-20.0), side(None, None), 1, "Only the left side plays, the right one is silent"),
        (side(None, -75.0), side(-20.0), 2, "Only the right side plays, the left one never rises above -75 dBFS"),
        (side(-20.0), side(-50.1), 1, "Only the left side plays, the right one lies 30 dB under it"),
    ],
)
def test_one_sided(left: ChannelLevels, right: ChannelLevels, channel: int, says: str) -> None:
    """A silent side, or one 30 dB down, is told once and is no fault; nothing else is said of such a stem."""
    (found,) = channel_findings(pair(), stem(per_channel=(left, right), side_balance_db=30.1))
    assert (found.code, found.verdict, found.channels) == ("one_sided", Verdict.USABLE, (channel,))
    assert found.says.startswith(says)


@pytest.mark.parametrize(("left_dbfs", "told"), [(-57.1, []), (-56.9, ["one_sided"])])
def test_a_side_just_under_the_gate_is_not_silent(left_dbfs: float, told: list[str]) -> None:
    """Of two very quiet sides one may fall under the gate of -70 dBFS: 15 dB down it is taken for empty."""
    sides = (side(left_dbfs), side(None, -72.0))
    assert codes(pair(band()), stem(per_channel=sides)) == told


@pytest.mark.parametrize(
    ("balance_db", "louder", "verdict"),
    [
        (5.9, None, None),
        (-5.9, None, None),
        (6.1, "left", Verdict.USABLE),
        (-6.1, "right", Verdict.USABLE),
        (11.9, "left", Verdict.USABLE),
        (-12.1, "right", Verdict.LISTEN),
    ],
)
def test_side_imbalance(balance_db: float, louder: str | None, verdict: Verdict | None) -> None:
    """Six dB between the sides are told, with the louder; twelve ask to be listened to."""
    found = channel_findings(pair(band()), stem(side_balance_db=balance_db))
    assert [finding.code for finding in found] == (["side_imbalance"] if louder else [])
    for finding in found:
        assert finding.verdict is verdict
        assert finding.says.startswith(f"The {louder} side is {abs(balance_db):.1f} dB louder than the ")


def test_a_panned_mono_part_is_a_fact() -> None:
    """The same sound on both sides at two levels is a pan, and nothing to listen for."""
    (found,) = channel_findings(pair(band(), delay_frames=0), stem(side_balance_db=14.0, correlation=1.0))
    assert (found.code, found.verdict) == ("side_imbalance", Verdict.USABLE)
    assert "panned" in found.says


def test_29_db_down_is_no_silent_side() -> None:
    """A side that can still be heard is an imbalance."""
    assert codes(pair(band()), stem(per_channel=(side(-20.0), side(-49.0)), side_balance_db=29.0)) == ["side_imbalance"]


@pytest.mark.parametrize(
    ("frames", "whole", "told"), [(0, -0.7, ["polarity_flipped"]), (96, 0.1, ["polarity_flipped", "delay"])]
)
def test_polarity_by_the_delay(frames: int, whole: float, told: list[str]) -> None:
    """A peak that points down is a flipped side; a delay leaves the whole near zero. Mono loss is not told twice."""
    bands = band(correlation=-0.9, loss=-13.0)
    found = channel_findings(pair(bands, delay_frames=frames, inverted=True), stem(correlation=whole))
    assert [finding.code for finding in found] == told
    assert found[0].verdict is Verdict.LISTEN


@pytest.mark.parametrize(
    ("lows", "whole", "told"), [(-0.51, -0.51, True), (-0.49, -0.8, False), (-0.8, -0.49, False), (0.2, -0.6, False)]
)
def test_polarity_by_the_lows(lows: float, whole: float, told: bool) -> None:
    """Without a delay, lows and whole must both stand against each other, at -0.5 or less."""
    assert ("polarity_flipped" in codes(pair(band(correlation=lows)), stem(correlation=whole))) is told


@pytest.mark.parametrize(
    ("whole", "bands"),
    [(-0.2, (-0.6, -0.4)), (-0.4, (-0.9, -0.1)), (-0.55, (-0.9, 0.2)), (0.1, (-0.9, 0.5))],
)
def test_a_wide_sound_is_not_upside_down(whole: float, bands: tuple[float, float]) -> None:
    """Without a delay, the whole and all bands that carry sound must stand against each other."""
    parts = (band(correlation=bands[0], loss=-2.0), band("middle", 0.4, bands[1], -2.0))
    assert codes(pair(*parts, delay_frames=0, inverted=True), stem(correlation=whole)) == []


def test_polarity_sentence() -> None:
    """It says what is measured, how to tell a wrong cable from a wide sound, and what to do before plugging."""
    bands = band(correlation=-0.9, loss=-13.0)
    sides = stem(correlation=-0.8, mono_loss_db=-8.2)
    (found,) = channel_findings(pair(bands, delay_frames=0, inverted=True), sides)
    assert found.says == (
        "Left and right work against each other and cancel in mono: 8 dB lost. Flip one side and listen in mono: if it "
        "gets fuller, a cable or a switch is the wrong way round; if it gets thinner, flip it back, the sound is wide "
        "on purpose. Before you unplug anything, turn the monitors down and phantom power off."
    )


@pytest.mark.parametrize(("balance", "expected"), [(2.9, []), (3.0, ["side_imbalance"]), (-5.0, ["side_imbalance"])])
def test_a_take_leans_from_three_db_on(balance: float, expected: list[str]) -> None:
    """Before the next take the quieter input can still be turned up; in a stem only 6 dB are reported."""
    sides = stem(side_balance_db=balance)
    assert [finding.code for finding in channel_findings(pair(band()), sides, is_take=True)] == expected
    assert channel_findings(pair(band()), sides) == []


@pytest.mark.parametrize(
    ("balance", "words"), [(2.14, "left +2.1 dB"), (-0.5, "right +0.5 dB"), (0.04, "sides equal"), (None, None)]
)
def test_balance_words(balance: float | None, words: str | None) -> None:
    """The louder side, by how much."""
    assert balance_words(balance) == words


def test_lows_that_carry_nothing_are_not_asked() -> None:
    """A band with less than a tenth of the power says nothing about polarity or loss."""
    bands = (band(share=0.09, correlation=-1.0, loss=None), band("middle", 0.91, 0.5))
    assert codes(pair(*bands), stem(correlation=-0.6)) == []


def test_an_upright_delay_speaks_against_flipped() -> None:
    """Lows that cancel by a delay alone are no flipped side: one wave of 167 Hz is 3 ms away from its trough."""
    assert codes(pair(band(correlation=-1.0, loss=None), delay_frames=144), stem(correlation=-0.9)) == ["delay"]


@pytest.mark.parametrize(("loss", "told"), [(-6.1, True), (-6.0, True), (-5.9, False), (-3.01, False)])
def test_mono_loss(loss: float, told: bool) -> None:
    """Six dB is the border; independent sides lose 3.01 (algebra) and are not accused."""
    found = channel_findings(pair(band("middle", correlation=-0.4, loss=loss)), stem())
    assert [finding.code for finding in found] == (["mono_loss"] if told else [])
    assert all(
        finding.says == "Played in mono, 6 dB of the middle (40 to 250 Hz) are lost: listen to it in mono."
        for finding in found
    )


def test_mono_loss_of_everything() -> None:
    """A band that cancels to silence has no level, and that is said."""
    (found,) = channel_findings(pair(band("highs", correlation=-1.0, loss=None)), stem())
    assert "all of the highs (40 to 250 Hz) is lost" in found.says
    assert found.measured == {"highs_correlation": -1.0}


def test_a_spaced_pair_is_not_accused() -> None:
    """What the comb of a delay takes from a band is told with the delay, which is a fact."""
    (found,) = channel_findings(pair(band(correlation=-0.8, loss=-9.5), delay_frames=140), stem(correlation=0.0))
    assert (found.code, found.verdict) == ("delay", Verdict.USABLE)
    assert found.says.endswith("; played in mono as it is, 10 dB of the lows (40 to 250 Hz) are lost.")


@pytest.mark.parametrize(
    ("frames", "way_m", "text"),
    [(140, 1.0, "2.92 ms (140 samples)"), (-480, 3.43, "10.00 ms (480 samples)"), (14, 0.1, "0.29 ms (14 samples)")],
)
def test_delay_and_its_way(frames: int, way_m: float, text: str) -> None:
    """Way = delay times 343 m/s: 0.10 m are 14.0 frames at 48 kHz, 1.00 m 139.9, 3.43 m 480 (table of path lengths)."""
    (found,) = channel_findings(pair(band(), delay_frames=frames), stem())
    assert found.measured["distance_m"] == pytest.approx(way_m, abs=0.01)
    assert found.measured["delay_frames"] == frames
    late, early = ("right", "left") if frames > 0 else ("left", "right")
    assert found.channels == ((2,) if frames > 0 else (1,))
    assert found.says.startswith(f"The {late} microphone hears it {text} after the {early} one, {way_m:.2f} m of way")


@pytest.mark.parametrize(
    ("frames", "text"),
    [
        (1, "The right microphone hears it 0.02 ms (1 sample) after the left one, 0.7 cm of way"),
        (-9, "The left microphone hears it 0.19 ms (9 samples) after the right one, 6.4 cm of way"),
    ],
)
def test_small_delays_ask_for_nothing(frames: int, text: str) -> None:
    """Under 0.2 ms, 9.6 frames at 48 kHz, nothing is to be moved: 343 m/s in 1/48000 s are 0.71 cm."""
    (found,) = channel_findings(pair(band(), delay_frames=frames), stem())
    assert (found.code, found.verdict, found.measured["delay_frames"]) == ("delay", Verdict.USABLE, frames)
    assert found.says == f"{text}: as good as in one place."


@pytest.mark.parametrize("frames", [10, -10])
def test_larger_delays_can_be_lined_up(frames: int) -> None:
    """Ten frames at 48 kHz are over 0.2 ms."""
    (found,) = channel_findings(pair(band(), delay_frames=frames), stem())
    assert "earlier by that where they should line up" in found.says


def test_a_role_may_leave_small_delays_untold() -> None:
    """With a limit of 0.2 ms 9 frames at 48 kHz are not told, and none is never told."""
    limits = ChannelLimits(delay_ms=0.2)
    assert channel_findings(pair(band(), delay_frames=9), stem(), limits) == []
    assert codes(pair(band(), delay_frames=0)) == []
