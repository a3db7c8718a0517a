"""The bus in sentences and places, against arithmetic done here."""

from typing import Any

import pytest

from stager.model.bus import BusForecast, Contribution, LeftOut
from stager.report.html_bus import bus_view


def bus(**changes: Any) -> BusForecast:
    """A bus of 8 s that peaks 2 dB over its ceiling after 2 s."""
    known = {
        "parts": 3, "sample_rate_hz": 48_000, "duration_s": 8.0, "sample_peak_dbfs": -4.2, "true_peak_dbtp": -4.0,
        "loudness_lufs": -14.04, "at_s": 2.0, "side": "left", "pan_law_db": -3.0, "ceiling_dbtp": -6.0, "step_db": 0.1,
        "room_db": -2.0, "uniform_offset_db": -2.0, "bus_power": 0.01, "mean_part_power": 0.003,
    }  # fmt: skip
    return BusForecast(**{**known, **changes})


def test_over_the_ceiling() -> None:
    """How far over, where, on which side, what would help, and who it is."""
    loudest = tuple(Contribution(stem=stem, share=share, level_dbfs=-9.0) for stem, share in (("a", 0.5), ("b", 0.26)))
    view = bus_view(bus(loudest=loudest))
    over = "2.0 dB over the bus ceiling of -6 dBTP"
    assert view.short == "2.0 dB over its ceiling"
    assert view.says == (
        f"With every fader at unity, the sum of all copies peaks at -4.0 dBTP at 0:02.000 on the left, {over}.",
        "Lower every stem by 2 dB and it peaks there. This concerns the sum alone.",
        "Its loudness is -14.0 LUFS.",
        "The two loudest at that moment: a, b.",
    )
    assert (view.at_percent, view.at) == (25.0, "0:02.000")


def test_under_the_ceiling() -> None:
    """Where there is room, no trim is asked for."""
    view = bus_view(bus(true_peak_dbtp=-9.5, uniform_offset_db=3.5, loudness_lufs=None))
    assert view.short == "3.5 dB under its ceiling"
    assert len(view.says) == 1


def test_silent_bus() -> None:
    """Silence has no peak, no place and no distance."""
    view = bus_view(bus(true_peak_dbtp=None, sample_peak_dbfs=None, at_s=None, side=None, loudness_lufs=None))
    assert (view.short, view.at_percent, view.wave) == ("silent", None, None)
    assert view.says == ("The sum of all copies is silent.",)


def test_what_is_left_out_is_said() -> None:
    """A file that is not in the sum is named with its reason."""
    (*_, last) = bus_view(bus(left_out=(LeftOut(name="c", reason="rate_differs", says="c is at 44.1 kHz"),))).says
    assert last == "Not in the sum: c is at 44.1 kHz"


@pytest.mark.parametrize(("peak", "higher"), [(0.9, 0.9), (0.1, 10 ** (-6 / 20))])
def test_ceiling_lines_share_the_picture_s_scale(peak: float, higher: float) -> None:
    """The picture is a little taller than the bus or its ceiling; the ceiling's lines stand at its share of that."""
    view = bus_view(bus(overview=(((-peak, peak),), ((-0.05, 0.05),)), stretch_s=8.0))
    assert view.wave is not None
    assert len(view.wave.lanes) == 2
    assert view.ceiling_y == round(100 * 10 ** (-6 / 20) / (1.08 * higher))
    assert view.wave.lanes[0].startswith(f"M0 {-round(100 * peak / (1.08 * higher))}")
