"""The forecast with planned parts: powers add, and the range has its bounds."""

import numpy as np
import pytest

from stager.judge.planned import PartLevel, PlannedPart, planned_bus
from tests.report.test_html_bus import bus

STEMS = [PartLevel("tabla.wav", "drum", 0.01, 0.5), PartLevel("lute.wav", None, 0.03, 0.25)]
NOW = bus(true_peak_dbtp=-6.0, bus_power=0.04)


@pytest.mark.parametrize(
    ("part", "power"),
    [
        (PlannedPart("new", "tabla.wav", None, 1), 0.01),
        (PlannedPart("new", "TABLA", None, 3), 0.03),
        (PlannedPart("new", None, "drum", 1), 0.01),
        (PlannedPart("new", "nobody.wav", None, 1), 0.02),
    ],
)
def test_powers_add(part: PlannedPart, power: float) -> None:
    """The rise is 10 lg (1 + p/P), by name, by role, or by the mean of all stems (addition of powers)."""
    found = planned_bus(NOW, STEMS, [part])
    assert found is not None
    assert found.rise_db == pytest.approx(10 * np.log10(1 + power / 0.04))
    assert found.low_dbtp <= -6.0 + found.rise_db <= found.high_dbtp
    assert found.unknown == (("new",) if part.like == "nobody.wav" else ())


def test_the_high_end_is_never_over_the_sum_of_all_peaks() -> None:
    """A part with a tiny peak moves the range by no more than that peak."""
    found = planned_bus(NOW, [PartLevel("hiss.wav", None, 0.01, 0.001)], [PlannedPart("new", "hiss", None, 1)])
    assert found is not None
    assert found.high_dbtp <= max(found.low_dbtp, 20 * np.log10(10 ** (-6 / 20) + 0.001) + 1e-9)


def test_nothing_planned_or_silence_has_no_forecast() -> None:
    """Without planned parts, or without sound now, nothing is said."""
    assert planned_bus(NOW, STEMS, []) is None
    assert planned_bus(bus(true_peak_dbtp=None), STEMS, [PlannedPart("new", "tabla", None, 1)]) is None
