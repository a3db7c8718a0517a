"""The record of a take in a log."""

import pytest
from pydantic import ValidationError

from stager.model import Verdict
from stager.model.takes import TakeComparison, TakeLevels

TAKE = TakeLevels(
    stem="voice 1.wav",
    at="2026-11-25T20:00:00+00:00",
    average_dbfs=None,
    sample_peak_dbfs=-80.0,
    noise_floor_dbfs=None,
    verdict=Verdict.LISTEN,
)


def test_there_and_back() -> None:
    """What is written as JSON reads as the same record, silence as null."""
    assert '"average_dbfs":null' in TAKE.model_dump_json()
    assert TakeLevels.model_validate_json(TAKE.model_dump_json()) == TAKE


def test_what_changed_is_one_of_three() -> None:
    """The input, the playing, or the noise alone."""
    with pytest.raises(ValidationError, match="'input', 'playing' or 'noise'"):
        TakeComparison.model_validate(
            {"changed": "x", "earlier": (), "level_change_db": 0.0, "noise_change_db": 0.0, "says": "y"}
        )
