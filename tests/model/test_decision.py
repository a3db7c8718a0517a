"""The target with its defaults and limits, and the words of a decision."""

import pytest
from pydantic import ValidationError

from stager.model import DecidedBy, Target, TrimDecision

DEFAULTS = {
    "rule": "average",
    "level_db": -18.0,
    "reference": "sine",
    "channels": "loudest",
    "tolerance_db": 1.0,
    "ceiling_dbtp": -3.0,
    "max_boost_db": 18.0,
    "step_db": 0.1,
}

FIELDS = (
    "gain_db wanted_gain_db decided_by because role link limited_by_stem bus_offset_db target measured_db "
    "ceiling_allows_db boost_allows_db predicted_average_dbfs predicted_true_peak_dbtp restore_fader_db"
)

OUT_OF_RANGE = {
    "a ceiling over full scale": {"ceiling_dbtp": 0.1},
    "a level over any sense": {"level_db": 21.0},
    "a tolerance under zero": {"tolerance_db": -0.1},
    "a boost under zero": {"max_boost_db": -1.0},
    "a step of zero": {"step_db": 0.0},
    "a rule that is not known": {"rule": "median"},
    "channels that are not known": {"channels": "first"},
}


def test_target_defaults() -> None:
    """A project file that says nothing means this."""
    assert Target().model_dump() == DEFAULTS


@pytest.mark.parametrize("keys", OUT_OF_RANGE.values(), ids=OUT_OF_RANGE.keys())
def test_target_out_of_range(keys: dict[str, object]) -> None:
    """A target that can't be meant is refused at its key."""
    with pytest.raises(ValidationError, match=next(iter(keys))):
        Target(**keys)


def test_decision_fields_are_the_published_ones() -> None:
    """Scripts read these names in this order."""
    written = [name for name, field in TrimDecision.model_fields.items() if not field.exclude]
    assert " ".join(written) == FIELDS


def test_what_may_decide() -> None:
    """The words of `decided_by` are a contract."""
    assert [by.value for by in DecidedBy] == [
        "target",
        "tolerance",
        "ceiling",
        "boost_limit",
        "link",
        "silent",
        "leave",
    ]
