"""Decibels and factors: exact at the fixed points, inverse of each other, and None where there is no level."""

from collections.abc import Callable
from math import isclose

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.units import (
    SINE_CREST_DB,
    db_from_linear,
    db_from_power,
    dbfs_rms_from_power,
    linear_from_db,
    power_from_db,
    power_from_dbfs_rms,
)

LEVELS = st.floats(-300.0, 300.0)

FIXED_POINTS = {
    "full scale is 0 dB": (db_from_linear, 1.0, 0.0),
    "a tenth is -20 dB": (db_from_linear, 0.1, -20.0),
    "the sign is ignored": (db_from_linear, -10.0, 20.0),
    "a tenth of the power is -10 dB": (db_from_power, 0.1, -10.0),
    "a full-scale sine reads 0 (AES17)": (dbfs_rms_from_power, 0.5, 0.0),
    "a full-scale square reads 3.01 (AES17)": (dbfs_rms_from_power, 1.0, 3.0102999566398120),
    "0 dB is a factor of 1": (linear_from_db, 0.0, 1.0),
    "+20 dB is a factor of 10": (linear_from_db, 20.0, 10.0),
    "-10 dB is a tenth of the power": (power_from_db, -10.0, 0.1),
    "AES17 0 dBFS is a power of a half": (power_from_dbfs_rms, 0.0, 0.5),
}

INVERSES = {
    "factors": (linear_from_db, db_from_linear),
    "powers": (power_from_db, db_from_power),
    "AES17 levels": (power_from_dbfs_rms, dbfs_rms_from_power),
}


@pytest.mark.parametrize(("convert", "value", "expected"), FIXED_POINTS.values(), ids=FIXED_POINTS.keys())
def test_fixed_points(convert: Callable[[float], float], value: float, expected: float) -> None:
    """Each conversion meets the point that defines it (worked arithmetic)."""
    assert isclose(convert(value), expected, abs_tol=1e-12)


def test_no_gain_is_exactly_one() -> None:
    """A trim of 0 dB multiplies by 1.0 to the last bit, so that it changes nothing."""
    assert linear_from_db(0.0) == 1.0
    assert linear_from_db(-0.0) == 1.0


@pytest.mark.parametrize("convert", [db_from_linear, db_from_power, dbfs_rms_from_power])
def test_nothing_has_no_level(convert: Callable[[float], float | None]) -> None:
    """Silence is None, never minus infinity and never a floor."""
    assert convert(0.0) is None


@pytest.mark.parametrize("convert", [db_from_power, dbfs_rms_from_power])
def test_negative_power_has_no_level(convert: Callable[[float], float | None]) -> None:
    """A power that rounding left under zero has no level either."""
    assert convert(-1e-30) is None


@pytest.mark.parametrize(("there", "back"), INVERSES.values(), ids=INVERSES.keys())
@settings(deadline=None)
@given(level_db=LEVELS)
def test_there_and_back(
    there: Callable[[float], float], back: Callable[[float], float | None], level_db: float
) -> None:
    """A level survives the way to a factor and back."""
    found = back(there(level_db))
    assert found is not None
    assert isclose(found, level_db, abs_tol=1e-9)


@settings(deadline=None)
@given(one_db=LEVELS, other_db=LEVELS)
def test_gains_add_up(one_db: float, other_db: float) -> None:
    """Two gains after each other are their sum in dB."""
    assert isclose(linear_from_db(one_db) * linear_from_db(other_db), linear_from_db(one_db + other_db), rel_tol=1e-9)


def test_crest_of_a_sine() -> None:
    """The two RMS conventions lie 3.0103 dB apart: ten times the logarithm of two (worked arithmetic)."""
    assert isclose(SINE_CREST_DB, 3.010299956639812, abs_tol=1e-15)
