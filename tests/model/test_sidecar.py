"""The sidecar: its published shape, the way through JSON and back, and what a reader passes over."""

import json
from typing import Any

import pytest
from pydantic import ValidationError

from stager.model import Encoding, Refused, Staged, read_sidecar
from tests.support.records import sidecar

KEYS = "schema stem version source levels trim findings verdict advice copy steps project stager staged_at"
SOURCE_KEYS = "path path_bytes sha256 bytes container encoding sample_rate_hz channels frames duration_s"
COPY_KEYS = "path sha256 encoding dither bit_identical sample_peak_dbfs true_peak_dbtp average_dbfs chunks not_carried"
FINDING_KEYS = "code verdict channels count total_s at_s worst_at_s measured says"


def test_round_trip_through_json() -> None:
    """What is written is what is read, every record and every null of it."""
    assert read_sidecar(sidecar().to_json()) == sidecar()


def test_round_trip_without_a_copy() -> None:
    """A dry run has no copy, and says so."""
    text = sidecar(copy=None).to_json()
    assert json.loads(text)["copy"] is None
    assert read_sidecar(text.encode()) == sidecar(copy=None)


@pytest.mark.parametrize(
    ("part", "keys"),
    [
        (lambda data: data, KEYS),
        (lambda data: data["source"], SOURCE_KEYS),
        (lambda data: data["copy"], COPY_KEYS),
        (lambda data: data["copy"]["chunks"], "kept rewritten dropped"),
        (lambda data: data["findings"][0], FINDING_KEYS),
        (lambda data: data["project"], "name settings_sha256 file"),
        (lambda data: data["stager"], "version"),
    ],
    ids=["sidecar", "source", "copy", "chunks", "finding", "project", "stager"],
)
def test_keys_are_the_published_ones(part: Any, keys: str) -> None:
    """Scripts read these names in this order: `schema` and `copy` without a trailing underscore."""
    assert " ".join(part(json.loads(sidecar().to_json()))) == keys


def test_text_ends_in_a_line_break() -> None:
    """A sidecar is a text file as tools expect it."""
    assert sidecar().to_json().endswith("}\n")


def test_unknown_keys_are_passed_over() -> None:
    """What a later version or another program adds, at any depth, does not stop a reader."""
    data = json.loads(sidecar().to_json())
    data["mood"] = "blue"
    data["levels"]["warmth"] = 1
    data["copy"]["chunks"]["moved"] = []
    assert read_sidecar(json.dumps(data)) == sidecar()


def test_a_missing_key_is_refused() -> None:
    """A sidecar that lacks what it must have is none."""
    data = json.loads(sidecar().to_json())
    del data["trim"]
    with pytest.raises(ValidationError, match="trim"):
        read_sidecar(json.dumps(data))


def test_another_schema_is_refused() -> None:
    """A sidecar of another layout is not read as if it were this one."""
    text = sidecar().to_json().replace("stager/sidecar/1", "stager/sidecar/2")
    with pytest.raises(ValidationError, match="schema"):
        read_sidecar(text)


@pytest.mark.parametrize("text", ["", "{", "[]", "null", b"\xff\xfe"])
def test_no_json_is_refused(text: str | bytes) -> None:
    """Whatever else lies there raises a ValueError, so that one except is enough."""
    with pytest.raises(ValueError, match="Sidecar"):
        read_sidecar(text)


def test_a_code_is_text_in_json_and_a_word_in_python() -> None:
    """An encoding is written by its trade name and comes back as its word."""
    assert json.loads(sidecar().to_json())["source"]["encoding"] == "PCM_24"
    assert read_sidecar(sidecar().to_json()).source.encoding is Encoding.PCM_24


def test_refusal_shape() -> None:
    """A refusal has one shape in every JSON document."""
    data = Refused("kick.wav", "bounces/kick.wav", "truncated", "cut").to_data()
    assert data == {
        "stem": "kick.wav",
        "source": {"path": "bounces/kick.wav"},
        "refused": "truncated",
        "says": "cut",
    }


def test_staged_is_named_for_its_sidecar() -> None:
    """A staged stem is called as its sidecar says, and is fresh unless told otherwise."""
    staged = Staged(sidecar())
    assert (staged.stem, staged.fresh) == ("kick.wav", True)
