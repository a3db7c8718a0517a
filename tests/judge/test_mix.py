"""Verdicts of a finished mix: worked cases, no audio."""

import pytest

from stager.judge.mix import PUBLISHED, delivery, mix_advice, mix_findings
from stager.model import Finding, Verdict
from stager.model.mix import BandFigure, CodedPeak, EndsFigure, MixFigures, SidesFigure
from tests.support.records import levels as levels_of

FADED = EndsFigure(
    silence_before_s=0.0,
    silence_after_s=0.5,
    first_peak_dbfs=-80.0,
    last_peak_dbfs=-90.0,
    rest_dbfs=-90.0,
    rest_spread_db=20.0,
    rest_hz=None,
    dc_linear=0.0,
)


def figures(ends: EndsFigure = FADED, **more: object) -> MixFigures:
    """The figures of a mix with these ends."""
    return MixFigures.model_validate({"plr_db": 12.0, "bands": (), "sides": None, "ends": ends, **more})


def coded(lower_db: float, peak: float = -2.0) -> CodedPeak:
    """A codec's result."""
    return CodedPeak(codec="Codec", kbit_s=128.0, true_peak_dbtp=peak, overs=0, lower_db=lower_db)


@pytest.mark.parametrize(
    ("changes", "code", "verdict"),
    [
        ({"silence_before_s": 1.2}, "silence_before", Verdict.LISTEN),
        ({"silence_after_s": 7.0}, "silence_after", Verdict.LISTEN),
        ({"first_peak_dbfs": -20.0}, "start_cut", Verdict.BOUNCE_AGAIN),
        ({"last_peak_dbfs": -45.0}, "end_cut", Verdict.LISTEN),
        ({"last_peak_dbfs": -12.0}, "end_cut", Verdict.BOUNCE_AGAIN),
        ({"rest_dbfs": -60.0, "rest_spread_db": 1.0}, "noise_at_end", Verdict.LISTEN),
        ({"dc_linear": 0.01}, "dc_at_end", Verdict.LISTEN),
    ],
)
def test_ends(changes: dict[str, float], code: str, verdict: Verdict) -> None:
    """Each fault at an end alone gives its one finding; a mix that fades to nothing has none."""
    (found,) = mix_findings(figures(FADED.model_copy(update=changes)), levels_of(), (), -1.0)
    assert (found.code, found.verdict) == (code, verdict)
    assert mix_findings(figures(), levels_of(), (), -1.0) == ()


def test_hum_is_named() -> None:
    """A mains line in the rest is told as hum with its frequency."""
    ends = FADED.model_copy(update={"rest_dbfs": -60.0, "rest_spread_db": 1.0, "rest_hz": 50.0})
    (found,) = mix_findings(figures(ends), levels_of(), (), -1.0)
    assert "hum of 50 Hz" in found.says


def test_a_take_s_words_become_a_mix_s() -> None:
    """What asks a take to be played again asks a mix to be bounced again; a limiter's flat crests are a fact."""
    clipped = Finding(code="clipped", verdict=Verdict.PLAY_AGAIN, says="play it again", worst_at_s=3.0)
    limited = Finding(code="clipped_upstream", verdict=Verdict.PLAY_AGAIN, says="play it again", count=9)
    one_stem = Finding(code="side_imbalance", verdict=Verdict.LISTEN, says="of one stem")
    found = mix_findings(figures(), levels_of(), (clipped, limited, one_stem), -1.0)
    assert [(each.code, each.verdict) for each in found] == [
        ("clipped", Verdict.BOUNCE_AGAIN),
        ("clipped_upstream", Verdict.USABLE),
    ]
    assert all("play" not in each.says for each in found)


def test_mono_and_sides() -> None:
    """A band that loses 10 dB in mono counts where it holds a twentieth of the energy; sides that cancel are told."""
    lost = BandFigure(from_hz=500.0, to_hz=2_000.0, share=0.2, level_db=-7.0, mono_loss_db=-10.0)
    slight = lost.model_copy(update={"share": 0.01})
    sides = SidesFigure(lowest_correlation=-0.8, lowest_correlation_at_s=4.0, right_out_s=((10.0, 14.0),))
    found = mix_findings(figures(bands=(lost, slight), sides=sides), levels_of(), (), -1.0)
    assert [(each.code, each.worst_at_s) for each in found] == [
        ("side_missing", 10.0),
        ("sides_cancel", 4.0),
        ("mono_loss", None),
    ]
    assert mix_findings(figures(bands=(slight,)), levels_of(), (), -1.0) == ()


def test_advice_never_raises() -> None:
    """The largest of what peak and codecs need, rounded up to a tenth; 0 where all hold, whatever the loudness."""
    over = levels_of(true_peak_dbtp=-0.55, loudness_lufs=-12.0)
    assert mix_advice(over, (coded(0.2),), -1.0).change_db == -0.5
    assert mix_advice(over, (coded(0.9),), -1.0).change_db == -0.9
    assert mix_advice(over, (coded(0.9),), -1.0).loudness_after_lufs == pytest.approx(-12.9)
    assert mix_advice(levels_of(true_peak_dbtp=-20.0, loudness_lufs=-40.0), (), -1.0).change_db == 0.0
    assert "silent" in mix_advice(levels_of(true_peak_dbtp=None, loudness_lufs=None), (), -1.0).says


def test_delivery_against_published_values() -> None:
    """EBU R 128: -23 LUFS and -1 dBTP; a mix at -14 LUFS and -0.2 dBTP is 9 LU and 0.8 dB over."""
    results = delivery(levels_of(true_peak_dbtp=-0.2, loudness_lufs=-14.0), PUBLISHED)
    broadcast = next(each for each in results if each.target.source == "EBU R 128")
    assert broadcast.loudness_over_lu == pytest.approx(9.0)
    assert broadcast.true_peak_over_db == pytest.approx(0.8)
