"""What every record promises: frozen, strict, finite, and closed to unknown fields."""

from math import inf, nan

import pytest
from pydantic import ValidationError

from stager.model import ChannelLevels, CopyInfo, Finding, Levels, Record, Sidecar, SourceInfo, StreamInfo, Target
from stager.model.decision import TrimDecision
from stager.project import Settings
from tests.support.records import levels, stream


def every_record(record: type[Record] = Record) -> list[type[Record]]:
    """Return every record class of the package."""
    below = [found for each in record.__subclasses__() for found in (each, *every_record(each))]
    return [found for found in dict.fromkeys(below) if found.__module__.startswith("stager.")]


@pytest.mark.parametrize("record", every_record(), ids=lambda record: record.__name__)
def test_every_record_is_frozen_and_finite(record: type[Record]) -> None:
    """No record, in whatever room, loosens what the base promises."""
    assert record.model_config["frozen"] is True
    assert record.model_config["strict"] is True
    assert record.model_config["allow_inf_nan"] is False


def test_the_records_are_known() -> None:
    """The list of records that the test above goes through is not empty by accident."""
    assert {Levels, ChannelLevels, Target, TrimDecision, Finding, Sidecar, SourceInfo, StreamInfo, CopyInfo}.issubset(
        every_record()
    )
    assert Settings in every_record()


def test_a_record_can_not_be_changed() -> None:
    """A result is a result: assigning to it is refused."""
    found = levels()
    with pytest.raises(ValidationError, match="frozen"):
        found.sample_peak_dbfs = 0.0


def test_an_unknown_field_is_refused() -> None:
    """A misspelt field is told when the record is made, not lost."""
    with pytest.raises(ValidationError, match="levl_db"):
        Target(levl_db=-18.0)


@pytest.mark.parametrize("value", [nan, inf, -inf])
def test_no_record_holds_what_is_no_number(value: float) -> None:
    """JSON has neither NaN nor infinity, so no record takes them in."""
    with pytest.raises(ValidationError, match="finite"):
        levels(average_dbfs=value)


@pytest.mark.parametrize("value", [nan, inf])
def test_no_number_deep_inside(value: float) -> None:
    """The figures behind a finding are held to the same."""
    with pytest.raises(ValidationError, match="finite"):
        Finding(code="clipped", verdict="usable", says="x", measured={"longest_frames": value})


def test_a_text_is_no_number() -> None:
    """A record is strict: a figure in quotes is a mistake, not a figure."""
    with pytest.raises(ValidationError, match="valid number"):
        levels(average_dbfs="-18.0")


def test_records_are_equal_by_value() -> None:
    """Two records with the same content are the same."""
    assert stream(16, 2, 100) == stream(16, 2, 100)
    assert stream(16, 2, 100) != stream(16, 2, 101)
