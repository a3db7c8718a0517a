"""Places in time as a person reads them."""

import pytest

from stager.judge.places import clock


@pytest.mark.parametrize(
    ("seconds", "said"), [(0.0, "0:00.0"), (9.96, "0:10.0"), (59.97, "1:00.0"), (125.5, "2:05.5"), (3600.0, "60:00.0")]
)
def test_clock(seconds: float, said: str) -> None:
    """Minutes, seconds and a tenth, rounded before they are split."""
    assert clock(seconds) == said
