"""Thresholds of damage: each has its bounds and says what it is."""

import pytest
from pydantic import ValidationError

from stager.model import DamageLimits


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
