"""A straight line through lags of which many are wrong."""

import numpy as np
import pytest

from stager.songset.pairs.drift import NEAR_S, Drift, fit_drift, support_of

TIME = np.arange(0.0, 48.0, 0.25)


@pytest.mark.parametrize("slope", [0.0, 0.001, -0.001, 0.004])
@pytest.mark.parametrize("wrong", [0.0, 0.3, 0.6])
def test_the_line_is_found_among_wrong_lags(slope: float, wrong: float) -> None:
    """With up to six in ten lags scattered over half a second, offset and slope are those that were put in."""
    rng = np.random.default_rng(3)
    lag = 0.012 + slope * TIME + rng.normal(0.0, 1e-5, len(TIME))
    lies = rng.random(len(TIME)) < wrong
    lag[lies] = rng.uniform(-0.5, 0.5, int(lies.sum()))
    line = fit_drift(TIME, lag, np.ones(len(TIME)))
    assert line.slope == pytest.approx(slope, abs=5e-6)
    assert line.at(np.array([0.0]))[0] == pytest.approx(0.012, abs=5e-5)
    assert line.support == pytest.approx(np.mean(~lies), abs=0.03)


def test_scattered_lags_have_no_line() -> None:
    """Chance within 60 ms puts few lags near any line: a band of half a millisecond holds a hundredth of them."""
    lag = np.random.default_rng(4).uniform(-0.06, 0.06, len(TIME))
    assert fit_drift(TIME, lag, np.ones(len(TIME))).support < 0.15


def test_weights_decide() -> None:
    """Two lines at once: the heavier wins, and its support is its share of the weight."""
    lag = np.where(np.arange(len(TIME)) % 2 == 0, 0.010, -0.020)
    weight = np.where(lag > 0, 1.0, 3.0)
    line = fit_drift(TIME, lag, weight)
    assert (line.offset_s, line.slope) == (pytest.approx(-0.020), 0.0)
    assert line.support == pytest.approx(0.75)


def test_support_counts_what_is_near() -> None:
    """A quarter millisecond to either side counts, no more."""
    line = Drift(0.0, 0.0, 0.0, 0.0)
    lag = np.array([0.99 * NEAR_S, -0.99 * NEAR_S, 1.01 * NEAR_S, 0.0])
    assert support_of(line, np.zeros(4), lag, np.ones(4)) == pytest.approx(0.75)
    assert support_of(line, np.zeros(4), lag, np.zeros(4)) == 0.0
