"""Records of a file's condition: frozen, and the same again out of JSON."""

import pytest
from pydantic import ValidationError

from stager.model.condition import Band, Condition, LoudestEvent, Microphones, Offset, Pause

BAND = Band(name="lows", low_hz=40.0, high_hz=250.0, power_share=0.5, correlation=None, mono_loss_db=None)
WHOLE = Condition(
    pause=Pause(at_s=1.0, length_s=1.3, level_dbfs=-60.0),
    offsets=(Offset(median_linear=0.001, same_sign_ratio=1.0, quiet_linear=0.001, covered_s=9.0), None),
    microphones=Microphones(
        identical=False, delay_frames=3, delay_s=3 / 48_000, inverted=True, sharpness=4.0, windows=9, bands=(BAND,)
    ),
    loudest_event=LoudestEvent(
        at_s=1.0, start_s=0.8, stop_s=2.1, peak_dbfs=-3.0, rest_peak_dbfs=None, rest_average_dbfs=None
    ),
)


@pytest.mark.parametrize("condition", [WHOLE, Condition()])
def test_there_and_back(condition: Condition) -> None:
    """What is written as JSON reads as the same record."""
    assert Condition.model_validate_json(condition.model_dump_json()) == condition


def test_frozen() -> None:
    """A result can't be changed."""
    with pytest.raises(ValidationError, match="frozen"):
        WHOLE.pause = None  # type: ignore[misc]
