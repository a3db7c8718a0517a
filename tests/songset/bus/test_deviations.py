"""The fit of a mix by all stems: levels, standard errors, and which stems are named."""

import numpy as np
import pytest

from stager.model.bus import RoughPlace
from stager.songset.bus.deviations import Fit, deviations

NAMES = ["a", "b", "c", "d", "e"]
PLACE = RoughPlace(start_s=0.0, end_s=10.0, residual_db=-10.0)


def fitted(gains: list[float], noise: float = 0.0, seed: int = 3) -> Fit:
    """A fit of ten seconds of independent stems in a mix with these gains, and noise that no stem explains."""
    rng, fit = np.random.default_rng(seed), Fit.empty(len(gains))
    for _ in range(10):
        columns = rng.normal(size=(len(gains), 4_000))
        fit.add(columns, np.array(gains) @ columns + noise * rng.normal(size=4_000), 1.0)
    return fit


def test_levels_are_those_of_the_mix() -> None:
    """Without noise the normal equations give the gains back, with no error (least squares)."""
    levels, errors = fitted([0.5, 0.5, 0.0, 1.0, 0.5]).levels()
    assert levels == pytest.approx([0.5, 0.5, 0.0, 1.0, 0.5], abs=1e-6)
    assert errors.max() < 1e-6


def test_missing_and_louder_stems_are_named_the_farthest_first() -> None:
    """A stem that is not there, and one 6 dB up: both, and nobody else."""
    found = deviations(NAMES, [PLACE], [fitted([0.5, 0.5, 0.0, 0.8, 0.5])])
    assert [each.stem for each in found] == ["c", "d"]
    assert found[0].level_db is None or found[0].level_db < -60.0
    assert found[1].level_db == pytest.approx(20 * np.log10(0.8 / 0.5), abs=0.01)


def test_equal_levels_name_nobody() -> None:
    """Noise alone, as an effect leaves it, is no stem's doing."""
    assert deviations(NAMES, [PLACE], [fitted([0.5] * 5, noise=0.3)]) == ()


def test_a_stem_that_is_missing_in_one_place_has_that_place() -> None:
    """Whole in the first place, gone in the second: named with the second."""
    second = RoughPlace(start_s=20.0, end_s=30.0, residual_db=-8.0)
    found = deviations(NAMES, [PLACE, second], [fitted([0.5] * 5), fitted([0.5, 0.0, 0.5, 0.5, 0.5], seed=4)])
    assert [(each.stem, each.start_s, each.end_s) for each in found] == [("b", 20.0, 30.0)]


def test_two_stems_are_too_few() -> None:
    """Of two stems nobody can say which one is at the usual level."""
    assert deviations(NAMES[:2], [PLACE], [fitted([0.5, 0.0])]) == ()
