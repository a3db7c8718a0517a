"""The record of levels: null for silence, and a reference beside every average."""

import json

import pytest
from pydantic import ValidationError

from stager.model import ChannelLevels, Levels
from tests.support.records import levels

FIELDS = (
    "sample_peak_dbfs sample_peak_at_s true_peak_dbtp true_peak_at_s average_dbfs average_ungated_dbfs "
    "average_reference vu_dbfs loudness_lufs loudness_range_lu loudness_momentary_max_lufs "
    "loudness_short_term_max_lufs crest_db active_ratio noise_floor_dbfs hum_dbfs hum_hz dc_offset_linear correlation "
    "side_balance_db mono_loss_db per_channel extra"
)


def test_fields_are_the_published_ones() -> None:
    """Scripts read these names in this order; they can be added to, never renamed."""
    assert " ".join(Levels.model_fields) == FIELDS


def test_a_channel_has_the_fields_of_the_stem() -> None:
    """What is said of a channel is called as it is called of the stem."""
    assert set(ChannelLevels.model_fields) < set(FIELDS.split())


def test_silence_is_null() -> None:
    """No signal is null in JSON, and comes back as None."""
    text = levels(average_dbfs=None).model_dump_json()
    assert json.loads(text)["average_dbfs"] is None
    assert Levels.model_validate_json(text).average_dbfs is None


def test_an_average_needs_its_reference() -> None:
    """No average is stored without the convention that it is in."""
    data = levels().model_dump()
    del data["average_reference"]
    with pytest.raises(ValidationError, match=r"(?s)average_reference.*required"):
        Levels.model_validate(data)


def test_a_reference_is_one_of_two() -> None:
    """Only full-scale sine and full-scale square are conventions here."""
    with pytest.raises(ValidationError, match="'sine' or 'square'"):
        levels(average_reference="peak")
