"""Pan laws by their published figures, balance and fold-down."""

import numpy as np
import pytest

from stager.songset.bus.panning import placement
from tests.support.records import stream
from tests.support.reference_levels import db

pytestmark = pytest.mark.long

HALF = 10 ** (-3.0103 / 20)


def sides(channels: int, pan: float, law_db: float = -3.0103, mask: int = 0) -> list[list[float]]:
    info = stream(24, channels).model_copy(update={"channel_mask": mask})
    return [list(map(float, row)) for row in placement(info, pan).at(10 ** (law_db / 20))]


@pytest.mark.parametrize("pan", [-1.0, -0.7, -0.2, 0.0, 0.35, 0.5, 1.0])
def test_the_sine_law(pan: float) -> None:
    """With -3.01 in the middle it is cos and sin of a quarter turn: constant power (constant-power panning)."""
    turn = (pan + 1) * np.pi / 4
    assert sides(1, pan)[0] == pytest.approx([np.cos(turn), np.sin(turn)], abs=1e-6)


@pytest.mark.parametrize("law_db", [0.0, -2.5, -3.0, -4.5, -6.0])
def test_centre_and_ends_of_every_law(law_db: float) -> None:
    """The centre's figure on each side; 0 dB on one side and nothing on the other at the ends."""
    assert sides(1, 0.0, law_db)[0] == pytest.approx([10 ** (law_db / 20)] * 2)
    assert sides(1, -1.0, law_db)[0] == [1.0, 0.0]
    assert sides(1, 1.0, law_db)[0] == [0.0, 1.0]


@pytest.mark.parametrize("law_db", [0.0, -3.0, -4.5, -6.0])
def test_laws_rise_and_fall_without_a_bump(law_db: float) -> None:
    """From left to right the right side never falls, the left never rises, neither passes 0 dB; mirrored, they swap."""
    pans = np.linspace(-1.0, 1.0, 41)
    rows = np.array([sides(1, pan, law_db)[0] for pan in pans])
    assert (np.diff(rows[:, 1]) >= -1e-12).all()
    assert (np.diff(rows[:, 0]) <= 1e-12).all()
    assert rows.min() >= 0.0
    assert rows.max() <= 1.0 + 1e-12
    assert np.allclose(rows, rows[::-1, ::-1])


def test_a_stereo_stem_in_the_middle_stays_as_it_is() -> None:
    """Balance has 0 dB at the centre, under every law."""
    for law_db in (0.0, -3.0, -6.0):
        assert sides(2, 0.0, law_db) == [[1.0, 0.0], [0.0, 1.0]]


def test_balance_takes_from_the_far_side() -> None:
    """Half way right, the left is at sqrt 2 cos 67.5 degrees (-5.33 dB), the right as it was; at the end, gone."""
    (left, crossed), (back, right) = sides(2, 0.5)
    assert db(left) == pytest.approx(-5.33, abs=0.01)
    assert (crossed, back, right) == (0.0, 0.0, 1.0)
    assert sides(2, 1.0) == [[0.0, 0.0], [0.0, 1.0]]
    assert sides(2, -1.0) == [[1.0, 0.0], [0.0, 0.0]]


def test_a_fold_of_5_1() -> None:
    """By BS.775: fronts as they are, centre and surrounds at 0.7071, no low-frequency channel."""
    for mask in (0x3F, 0x60F):
        assert np.allclose(sides(6, 0.0, mask=mask), [[1, 0], [0, 1], [HALF, HALF], [0, 0], [HALF, 0], [0, HALF]])
    assert np.allclose(sides(4, 0.0, mask=0x107), [[1, 0], [0, 1], [HALF, HALF], [0.5, 0.5]])


@pytest.mark.parametrize("mask", [0, 0x3, 0x1000F])
def test_channels_without_places_are_pairs(mask: int) -> None:
    """Odd ones left, even ones right, where a mask is missing, names too few, or names speakers overhead."""
    assert sides(4, 0.0, mask=mask) == [[1.0, 0.0], [0.0, 1.0], [1.0, 0.0], [0.0, 1.0]]


def test_an_odd_last_channel_goes_to_both() -> None:
    """At -3 dB each; balance comes after the fold."""
    assert np.allclose(sides(3, 0.0), [[1, 0], [0, 1], [HALF, HALF]])
    assert np.allclose(sides(3, 1.0), [[0, 0], [0, 1], [0, HALF]])
