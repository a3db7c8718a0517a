"""The `bext` chunk: figures in hundredths, one more line of history, and what is not used says so."""

import pytest

from stager.containers.bext import (
    FIXED_BYTES,
    MOST_BYTES,
    LoudnessFields,
    coded,
    has_loudness,
    history_line,
    time_reference_frames,
    with_history,
    with_loudness,
)
from tests.support.records import stream

CODED = {
    "a level": (-23.0, -2300),
    "half away from zero": (4.005, 401),
    "half away from zero, down": (-22.645, -2265),
    "under half": (-22.6449, -2264),
    "zero": (0.0, 0),
    "largest": (99.99, 9999),
    "out of range": (100.0, 0x7FFF),
    "out of range, down": (-100.0, 0x7FFF),
    "none": (None, 0x7FFF),
}


def bext(version: int = 2, history: bytes = b"") -> bytes:
    fixed = bytearray(b"\x11" * FIXED_BYTES)
    fixed[346:348] = version.to_bytes(2, "little")
    return bytes(fixed) + history


@pytest.mark.parametrize(("value", "code"), CODED.values(), ids=CODED.keys())
def test_coded(value: float | None, code: int) -> None:
    """Hundredths, halves away from zero; 7FFFh for what is not used (EBU Tech 3285 v2)."""
    assert coded(value) == code


def test_packed_in_their_order() -> None:
    """The five figures stand in the order of the standard, negative ones in two's complement (EBU Tech 3285 v2)."""
    fields = LoudnessFields(-23.0, 5.0, -1.0, -20.0, -21.0)
    assert fields.packed() == b"".join(
        value.to_bytes(2, "little", signed=True) for value in (-2300, 500, -100, -2000, -2100)
    )


@pytest.mark.parametrize(("version", "has"), [(0, False), (1, False), (2, True), (3, True)])
def test_versions_with_loudness(version: int, has: bool) -> None:
    """Loudness came with version 2 (EBU Tech 3285 v2)."""
    assert has_loudness(bext(version)) is has
    assert not has_loudness(bext(version)[:601])


def test_with_loudness_changes_ten_bytes() -> None:
    """Nothing but the five fields changes."""
    before, after = bext(history=b"x"), with_loudness(bext(history=b"x"), LoudnessFields())
    assert after[412:422] == b"\xff\x7f" * 5
    assert (after[:412], after[422:]) == (before[:412], before[422:])


HISTORIES = {
    "none": (b"", b"line\r\n"),
    "one line": (b"first\r\n", b"first\r\nline\r\n"),
    "one line without an end": (b"first", b"first\r\nline\r\n"),
    "one line with half an end": (b"first\n", b"first\r\nline\r\n"),
    "padded with zeros": (b"first\r\n\0\0\0", b"first\r\nline\r\n"),
}


@pytest.mark.parametrize(("history", "grown"), HISTORIES.values(), ids=HISTORIES.keys())
def test_history_grows_by_a_line(history: bytes, grown: bytes) -> None:
    """A line stands behind those that are there, each with its end."""
    assert with_history(bext(history=history), "line") == bext() + grown


@pytest.mark.parametrize(("line", "zeros"), [("even", 0), ("odd", 1)])
def test_an_even_length_where_asked_for(line: str, zeros: int) -> None:
    """One zero stands behind a line that would make the length odd, and the next line takes its place."""
    once = with_history(bext(), line, align=2)
    assert once == bext() + line.encode() + b"\r\n" + bytes(zeros)
    assert with_history(once, "next", align=2) == bext() + line.encode() + b"\r\nnext\r\n" + bytes(zeros)


@pytest.mark.parametrize(("room", "fits"), [(6, True), (5, False)])
def test_history_that_is_full(room: int, fits: bool) -> None:
    """A chunk that would grow too long for readers gets no line."""
    history = b"x" * (MOST_BYTES - FIXED_BYTES - room - 2) + b"\r\n"
    assert (with_history(bext(history=history), "line") is not None) is fits


@pytest.mark.parametrize(
    ("bits", "channels", "line"),
    [
        (24, 1, "A=PCM,F=48000,W=24,M=mono,T=up; by 3 dB"),
        (16, 2, "A=PCM,F=48000,W=16,M=stereo,T=up; by 3 dB"),
        (0, 6, "A=PCM,F=48000,W=32,T=up; by 3 dB"),
    ],
)
def test_history_line(bits: int, channels: int, line: str) -> None:
    """The line names coding, rate, word length and, for one and two channels, the mode (EBU R 98)."""
    assert history_line(stream(bits, channels), "up, by 3 dB") == line


def test_time_reference() -> None:
    """The first sample's time is 64 bits at its place (EBU Tech 3285), and a chunk cut before it has none."""
    payload = bytearray(bext())
    payload[338:346] = (2**33 + 5).to_bytes(8, "little")
    assert time_reference_frames(bytes(payload)) == 2**33 + 5
    assert time_reference_frames(bytes(payload[:345])) is None
