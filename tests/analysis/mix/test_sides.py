"""Left and right over time: worked cases."""

import numpy as np
import pytest

from stager.analysis.mix.sides import SidesMeter
from stager.model.mix import SidesFigure
from tests.support.signals import RATE, Samples, cut, white_noise


def sides(samples: Samples, *edges: int) -> SidesFigure:
    """The figure of these samples, cut at these frames."""
    meter = SidesMeter(RATE)
    for block in cut(samples, edges) if edges else [samples]:
        meter.update(block)
    return meter.result()


def test_the_worst_place_is_named() -> None:
    """Ten seconds in step with five in the middle turned round: -1 from 4 s on."""
    samples = np.repeat(white_noise(12 * RATE), 2, axis=1)
    samples[4 * RATE : 9 * RATE, 1] *= -1
    found = sides(samples)
    assert found.lowest_correlation == pytest.approx(-1.0)
    assert found.lowest_correlation_at_s == pytest.approx(4.0, abs=0.4)


def test_a_missing_side() -> None:
    """A side of nothing for three seconds is told with its place; for one second it is not."""
    samples = white_noise(12 * RATE, 2)
    samples[2 * RATE : 5 * RATE, 0] = 0.0
    samples[8 * RATE : 9 * RATE, 1] = 0.0
    found = sides(samples, 5, 7_777, 300_000)
    assert found.left_out_s == ((pytest.approx(2.0, abs=0.4), pytest.approx(4.8, abs=0.4)),)
    assert found.right_out_s == ()


def test_silence_and_short_files_have_no_figure() -> None:
    """None for what is too short or silent."""
    assert sides(np.zeros((RATE, 2))).lowest_correlation is None
    assert sides(np.zeros((9 * RATE, 2))) == SidesFigure(lowest_correlation=None, lowest_correlation_at_s=None)
