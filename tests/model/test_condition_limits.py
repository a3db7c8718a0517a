"""Every threshold has a default inside its bounds, and says what it is, in which unit, and where it comes from."""

import re

import pytest
from pydantic import ValidationError

from stager.model.condition_limits import ConditionLimits

UNITS = {"dbfs": "dBFS", "db": "dB", "ms": "ms", "s": "s", "hz": "Hz"}
PLAIN = {"linear", "ratio", "correlation", "share"}


@pytest.mark.parametrize("name", ConditionLimits.model_fields)
def test_every_threshold_is_explained(name: str) -> None:
    """A description names the unit that the name ends with, and a source, common practice or an own figure."""
    says, unit = ConditionLimits.model_fields[name].description or "", name.rsplit("_", 1)[-1]
    assert unit in UNITS or unit in PLAIN
    if unit in UNITS:
        assert re.match(rf"{UNITS[unit]}\b", says)
    assert re.search(r"Common practice, no source|[Oo]wn figure|The default of", says)


@pytest.mark.parametrize("name", ConditionLimits.model_fields)
def test_every_threshold_has_bounds(name: str) -> None:
    """What is beyond reason is refused, by the name of the threshold."""
    with pytest.raises(ValidationError, match=name):
        ConditionLimits.model_validate({name: 10_000})
    with pytest.raises(ValidationError, match=name):
        ConditionLimits.model_validate({name: -10_000})


def test_defaults_are_in_order() -> None:
    """What asks to be listened to is worse than what is told."""
    limits = ConditionLimits()
    assert limits.noise_usable_dbfs < limits.noise_listen_dbfs
    assert limits.hum_usable_dbfs < limits.hum_listen_dbfs
    assert limits.side_imbalance_db < limits.side_imbalance_listen_db < limits.one_sided_db
