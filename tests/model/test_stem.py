"""What a stem is before it is measured: encodings, durations, the top of the grid."""

from dataclasses import FrozenInstanceError, replace

import pytest

from stager.model import Encoding, Fingerprint
from tests.support.records import stream

ENCODINGS = {"PCM_16": (2, True), "PCM_24": (3, True), "PCM_32": (4, True), "FLOAT": (4, False), "DOUBLE": (8, False)}

TOP_CODES = {
    "16 bits": (stream(16), 32767 / 32768),
    "24 bits": (stream(24), 8388607 / 8388608),
    "20 of 24 bits": (stream(24).model_copy(update={"valid_bits": 20}), 524287 / 524288),
    "32 bits": (stream(32), 2147483647 / 2147483648),
    "float": (stream(0), 1.0),
    "double": (stream(0, encoding=Encoding.DOUBLE), 1.0),
}


def test_every_encoding_is_in_the_table() -> None:
    """A new encoding needs its size and its kind stated here."""
    assert {encoding.value for encoding in Encoding} == ENCODINGS.keys()


@pytest.mark.parametrize("name", ENCODINGS)
def test_encoding(name: str) -> None:
    """An encoding knows the bytes of a sample, and whether it is a grid of integers."""
    assert (Encoding(name).sample_bytes, Encoding(name).is_integer) == ENCODINGS[name]


@pytest.mark.parametrize(("info", "top"), TOP_CODES.values(), ids=TOP_CODES.keys())
def test_top_code(info: object, top: float) -> None:
    """Full scale is the largest value that the grid holds, one step under 1; of a float it is 1."""
    assert info.top_code_linear == top


def test_duration() -> None:
    """Seconds are frames over the rate, whatever the channels."""
    assert stream(16, 2, 72_000).duration_s == 1.5


def test_fingerprint_is_frozen() -> None:
    """What a file was can't be changed afterwards."""
    with pytest.raises(FrozenInstanceError, match="size_bytes"):
        Fingerprint(1, 2, 3, 4, 5).size_bytes = 4


@pytest.mark.parametrize("field", ["device", "inode", "size_bytes", "modified_ns", "changed_ns"])
def test_fingerprint_tells_files_apart(field: str) -> None:
    """Any one difference makes it another file."""
    one = Fingerprint(1, 2, 3, 4, 5)
    assert replace(one, **{field: 9}) != one
    assert replace(one) == one
