"""Every threshold has a default inside its bounds, and says what it is, in which unit, and where it comes from."""

import re

import pytest
from pydantic import ValidationError

from stager.model import DamageLimits
from stager.model.limits import ChannelLimits, ConditionLimits, Limits, TakeLimits

UNITS = {"dbfs": "dBFS", "db": "dB", "ms": "ms", "s": "s", "hz": "Hz"}
DESCRIBED = {**ConditionLimits.model_fields, **ChannelLimits.model_fields, **TakeLimits.model_fields}
PLAIN = {"linear", "ratio", "correlation", "share"}


@pytest.mark.parametrize("name", DESCRIBED)
def test_every_threshold_is_explained(name: str) -> None:
    """A description names the unit that the name ends with, and a source, common practice or an own figure."""
    says, unit = DESCRIBED[name].description or "", name.rsplit("_", 1)[-1]
    assert unit in UNITS or unit in PLAIN
    if unit in UNITS:
        assert re.match(rf"{UNITS[unit]}\b", says)
    assert re.search(r"Common practice, no source|[Oo]wn figure|The default of", says)


@pytest.mark.parametrize("name", DESCRIBED)
def test_every_threshold_has_bounds(name: str) -> None:
    """What is beyond reason is refused, by the name of the threshold."""
    with pytest.raises(ValidationError, match=name):
        Limits.model_validate({name: 10_000})
    with pytest.raises(ValidationError, match=name):
        Limits.model_validate({name: -10_000})


def test_defaults_are_in_order() -> None:
    """What asks to be listened to is worse than what is reported."""
    limits = Limits()
    assert limits.noise_usable_dbfs < limits.noise_listen_dbfs
    assert limits.hum_usable_dbfs < limits.hum_listen_dbfs
    assert limits.side_imbalance_db < limits.side_imbalance_listen_db < limits.one_sided_db


@pytest.mark.parametrize("name", sorted(DamageLimits.model_fields))
def test_every_limit_says_what_it_is(name: str) -> None:
    """A field without a sentence can't be set by anybody."""
    assert DamageLimits.model_fields[name].description


@pytest.mark.parametrize(
    ("name", "value"), [("clip_frames", 2), ("clip_events", 1), ("clip_flat_share", 1.5), ("clip_full_scale_dbfs", 0.1)]
)
def test_limits_have_bounds(name: str, value: float) -> None:
    """A value that makes no sense is refused."""
    with pytest.raises(ValidationError, match=name):
        DamageLimits.model_validate({name: value})
