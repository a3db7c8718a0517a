"""The mix bus on the page: sentences and one picture of the sum of all copies over time. Pure."""

from dataclasses import dataclass
from typing import Final

from stager.judge.bus import MONITORS_CAUTION, loudest_sentence
from stager.judge.sentences import exact_clock
from stager.model.bus import BusForecast
from stager.report.html_pictures import HALF_HEIGHT, percent_of, tallest
from stager.report.html_view import Wave, wave_of
from stager.report.terminal import figure
from stager.units import linear_from_db

HEADROOM: Final = 1.08
"""The picture reaches a little over whatever is higher, the bus or its ceiling."""


@dataclass(frozen=True)
class BusView:
    """The bus: a short line for the head of the page, sentences, and a picture where the check kept an overview.

    `ceiling_y` is half the distance between the two ceiling lines in the picture's own units; `at_percent` the place of
    the loudest moment.
    """

    short: str
    says: tuple[str, ...]
    wave: Wave | None
    ceiling_y: int
    at_percent: float | None
    at: str


def bus_view(bus: BusForecast) -> BusView:
    """Return the view of the bus."""
    limit_linear = linear_from_db(bus.ceiling_dbtp)
    full_linear = HEADROOM * max(tallest(bus.overview), limit_linear)
    return BusView(
        short=_short(bus),
        says=_sentences(bus),
        wave=wave_of(bus.overview, full_linear),
        ceiling_y=round(HALF_HEIGHT * limit_linear / full_linear),
        at_percent=None if bus.at_s is None else percent_of(bus.at_s, bus.duration_s),
        at="" if bus.at_s is None else exact_clock(bus.at_s),
    )


def _short(bus: BusForecast) -> str:
    if bus.true_peak_dbtp is None:
        return "silent"
    return f"{_distance(bus.true_peak_dbtp, bus.ceiling_dbtp)} its ceiling"


def _sentences(bus: BusForecast) -> tuple[str, ...]:
    if bus.true_peak_dbtp is None:
        return ("The sum of all copies is silent.", *_left_out(bus))
    where = f" at {exact_clock(bus.at_s)}{f' on the {bus.side}' if bus.side else ''}" if bus.at_s is not None else ""
    ceiling = f"{_distance(bus.true_peak_dbtp, bus.ceiling_dbtp)} the bus ceiling of {bus.ceiling_dbtp:g} dBTP"
    level = figure(bus.true_peak_dbtp)
    peak = f"With every fader at unity, the sum of all copies peaks at {level} dBTP{where}, {ceiling}."
    careful = MONITORS_CAUTION.strip() if bus.true_peak_dbtp > 0.0 else ""
    return tuple(filter(None, (peak, careful, _offset(bus), _loudness(bus), _loudest(bus), *_left_out(bus))))


def _distance(peak_dbtp: float, ceiling_dbtp: float) -> str:
    side = "over" if peak_dbtp > ceiling_dbtp else "under"
    return f"{abs(peak_dbtp - ceiling_dbtp):.1f} dB {side}"


def _offset(bus: BusForecast) -> str:
    if not bus.uniform_offset_db or bus.uniform_offset_db > 0.0:
        return ""
    return f"Lower every stem by {-bus.uniform_offset_db:g} dB and it peaks there. This concerns the sum alone."


def _loudness(bus: BusForecast) -> str:
    return "" if bus.loudness_lufs is None else f"Its loudness is {figure(bus.loudness_lufs)} LUFS."


def _loudest(bus: BusForecast) -> str:
    return loudest_sentence(bus) if bus.loudest else ""


def _left_out(bus: BusForecast) -> tuple[str, ...]:
    return tuple(f"Not in the sum: {each.says}" for each in bus.left_out)
