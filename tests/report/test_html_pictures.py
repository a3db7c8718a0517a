"""Where things lie on the pictures: arithmetic done here by hand."""

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stager.model import Finding, Verdict
from stager.report.html_pictures import Axis, axis_for, columns_of, lanes, outline, percent_of, places, tallest


def finding(**changes: Any) -> Finding:
    return Finding(**{"code": "clipped", "verdict": Verdict.LISTEN, "says": "x", **changes})


def points(path: str) -> list[tuple[int, int]]:
    """Walk a path as SVG does: an absolute start, then steps, then back to the start."""
    match = re.fullmatch(r"M(-?\d+) (-?\d+)(?:l([-\d ]*))?z", path)
    assert match, path
    x, y = int(match[1]), int(match[2])
    walked = [(x, y)]
    steps = list(map(int, (match[3] or "").split()))
    for dx, dy in zip(steps[::2], steps[1::2], strict=True):
        x, y = x + dx, y + dy
        walked.append((x, y))
    return walked


def test_axis_is_linear_in_decibels() -> None:
    """On an axis from -60 to 0, a quarter of the way is -45; what lies beyond an end stands at that end."""
    axis = Axis(-60.0, 0.0)
    assert [axis.at(level) for level in (-60.0, -45.0, -30.0, 0.0, 5.0, -90.0)] == [0.0, 25.0, 50.0, 100.0, 100.0, 0.0]


def test_axis_holds_every_level() -> None:
    """From a whole 6 dB under the lowest to a little over 0, or over the highest; at least down to -24."""
    assert axis_for([-41.0, -10.0]) == Axis(-48.0, 2.0)
    assert axis_for([-12.0]) == Axis(-24.0, 2.0)
    assert axis_for([-30.0, 3.5]) == Axis(-36.0, 5.5)
    assert axis_for([-200.0]).low_db >= -84.0
    assert axis_for([]) == Axis(-30.0, 2.0)


def test_ticks_stand_every_6_db() -> None:
    """Multiples of 6, 0 among them, each where its level is."""
    axis = Axis(-24.0, 2.0)
    assert [level for level, _ in axis.ticks] == [-24, -18, -12, -6, 0]
    assert all(at == axis.at(level) for level, at in axis.ticks)


def test_places_in_percent() -> None:
    """A quarter into the file is 25 %; in a file without a length everything is at its beginning."""
    assert percent_of(2.0, 8.0) == 25.0
    assert percent_of(9.0, 8.0) == 100.0
    assert percent_of(1.0, 0.0) == 0.0


def test_places_close_together_are_one() -> None:
    """Of 100 s, what lies within 3 s is one place, counted; the worst gives that place its time."""
    found = places(finding(at_s=(10.0, 10.5, 12.0, 50.0), worst_at_s=10.5), 100.0, 4)
    assert [(place.number, place.at_s, place.percent, place.count, place.is_worst) for place in found] == [
        (4, 10.5, 10.5, 3, True),
        (5, 50.0, 50.0, 1, False),
    ]


def test_worst_place_that_is_not_among_the_first() -> None:
    """The first places are listed, and the worst, wherever it is; no more than eight in all."""
    found = places(finding(at_s=tuple(float(s) for s in range(0, 100, 5)), worst_at_s=97.5), 100.0, 1)
    assert len(found) == 8
    assert [place.at_s for place in found if place.is_worst] == [97.5]
    assert [place.at_s for place in found] == sorted(place.at_s for place in found)
    assert [place.number for place in found] == list(range(1, 9))


def test_finding_without_a_place() -> None:
    """What holds for the whole file has no place on the picture."""
    assert places(finding(), 100.0, 1) == ()


def test_outline_goes_over_the_tops_and_back_along_the_bottoms() -> None:
    """Two stretches, half and a quarter of full height up, and down: y counts downwards, 100 is full height."""
    path = outline(((-0.25, 0.5), (-0.5, 0.25)), 1.0)
    assert points(path) == [(0, -50), (1, -25), (1, 50), (0, 25)]
    assert points(outline(((-0.25, 0.5),), 0.5)) == [(0, -100), (0, 50)]


@given(st.lists(st.tuples(st.floats(-1, 0), st.floats(0, 1)), min_size=1, max_size=1200))
def test_outline_holds_the_extremes(pairs: list[tuple[float, float]]) -> None:
    """However many stretches there are, no more than 500 columns are drawn, and the highest and lowest are kept."""
    walked = points(outline(tuple(pairs), 1.0))
    assert max(x for x, _ in walked) == columns_of(tuple(pairs)) - (len(pairs) == 1)
    assert max(x for x, _ in walked) < 500
    assert min(y for _, y in walked) == -round(100 * max(high for _, high in pairs))
    assert max(y for _, y in walked) == -round(100 * min(low for low, _ in pairs))


def test_silence_is_a_line() -> None:
    """Silence is drawn at zero, and has no height to scale by."""
    assert {y for _, y in points(outline(((0.0, 0.0),) * 3, 0.0))} == {0}
    assert tallest([((0.0, 0.0),)]) == 0.0
    assert tallest([]) == 0.0


def test_one_lane_a_side() -> None:
    """Mono has one lane, stereo two; of more channels one lane has the extremes of all."""
    one, two = ((-0.1, 0.1),), ((-0.2, 0.4),)
    assert len(lanes([one], 1.0)) == 1
    assert lanes([one, two], 1.0) == (outline(one, 1.0), outline(two, 1.0))
    assert lanes([one, two, one], 1.0) == (outline(two, 1.0),)
    assert tallest([one, two]) == pytest.approx(0.4)
