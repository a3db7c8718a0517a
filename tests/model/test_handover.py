"""Facts of a stem and findings of a set: what they hold, and what they refuse."""

import json
from fractions import Fraction

import pytest
from pydantic import ValidationError

from stager.model import Encoding, Finding, Verdict
from stager.model.handover import SetFinding, StemFacts, stem_facts
from tests.support.records import levels, stream


def test_facts_of_a_measured_stem() -> None:
    """Format comes from the stream, peaks and average from the levels, the rest from whoever knows it."""
    hum = Finding(code="hum", verdict=Verdict.LISTEN, says="x")
    found = stem_facts(
        "a/bass.wav", stream(24, 2, 96_000), levels(true_peak_dbtp=-7.5), role="bass", findings=(hum,), used_bits=16
    )
    assert (found.stem, found.role, found.codes) == ("a/bass.wav", "bass", {"hum"})
    assert (found.encoding, found.valid_bits, found.channels) == (Encoding.PCM_24, 24, 2)
    assert (found.sample_peak_dbfs, found.true_peak_dbtp, found.average_dbfs) == (-8.0, -7.5, -20.0)
    assert (found.used_bits, found.start_frames, found.allow) == (16, None, ())


def test_times_are_exact() -> None:
    """Half past one at 96 kHz is 4,665,600,000 frames (EBU Tech 3285's own example); a third of a second stays one."""
    found = stem_facts("x.wav", stream(24, 1, 16_000), levels(), start_frames=48_600 * 48_000)
    assert found.start_s == 48_600
    assert found.length_s == Fraction(1, 3)
    assert stem_facts("x.wav", stream(24), levels()).start_s is None


def test_set_finding_as_data() -> None:
    """A finding of the set has the keys of the contract, and its figures stand in the order of its stems."""
    finding = SetFinding(
        code="start_differs",
        verdict=Verdict.LISTEN,
        stems=("a.wav", "b.wav"),
        at_s=(0.0, 2.5),
        measured={"common": "48 kHz", "hz": (1.0, 2.0)},
        says="x",
    )
    data = finding.to_data()
    assert list(data) == ["code", "verdict", "stems", "at_s", "measured", "says"]
    assert json.loads(json.dumps(data)) == {
        "code": "start_differs",
        "verdict": "listen",
        "stems": ["a.wav", "b.wav"],
        "at_s": [0.0, 2.5],
        "measured": {"common": "48 kHz", "hz": [1.0, 2.0]},
        "says": "x",
    }
    assert SetFinding.model_validate_json(json.dumps(data)) == finding


@pytest.mark.parametrize("field", ["sample_rate_hz", "channels"])
def test_no_stem_is_without_rate_or_channels(field: str) -> None:
    """A rate or a count of channels of 0 is refused, since times are divided by it."""
    good = stem_facts("x.wav", stream(24), levels()).model_dump()
    with pytest.raises(ValidationError, match="greater than 0"):
        StemFacts(**{**good, field: 0})
