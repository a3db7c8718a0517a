"""Rate, depth, start, length and used bits over a set: one that has it and a near miss for each."""

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from stager.judge.candidates import CandidateFinding, findings_from
from stager.judge.set_formats import (
    depth_differs,
    is_padded,
    length_differs,
    padded_bits,
    padded_stem,
    rate_differs,
    start_differs,
)
from stager.model import Encoding, Verdict
from stager.model.handover import SetFinding, StemFacts
from tests.judge.facts import several
from tests.support.records import stream

FLOAT = {"encoding": Encoding.FLOAT, "valid_bits": 0}
DOUBLE = {"encoding": Encoding.DOUBLE, "valid_bits": 0}
PCM_16 = {"encoding": Encoding.PCM_16, "valid_bits": 16}


def only(judge: Callable[[Sequence[StemFacts]], list[CandidateFinding]], stems: Sequence[StemFacts]) -> SetFinding:
    """The one finding of a judge."""
    (candidate,) = judge(stems)
    (finding,) = findings_from(candidate, frozenset())
    return finding


def test_rate_differs() -> None:
    """The stem at another rate is named with it, and the rate of the others."""
    finding = only(rate_differs, several({}, {}, {"sample_rate_hz": 44_100}))
    assert (finding.code, finding.verdict, finding.stems) == ("rate_differs", Verdict.LISTEN, ("c.wav",))
    assert finding.says == "1 of 3 stems not at 48 kHz: c.wav (44.1 kHz). Export all at one rate."
    assert finding.measured == {"common": "48 kHz", "sample_rate_hz": (44_100.0,)}


def test_one_rate() -> None:
    """Stems of one rate differ in none, whatever else they are."""
    assert rate_differs(several({}, FLOAT, {"frames": 7}, {"channels": 1})) == []


def test_no_rate_of_most() -> None:
    """Where two rates have as many stems each, all are named, and none is called the right one."""
    finding = only(rate_differs, several({}, {}, {"sample_rate_hz": 96_000}, {"sample_rate_hz": 96_000}))
    assert finding.stems == ("a.wav", "b.wav", "c.wav", "d.wav")
    assert finding.says.startswith(
        "4 stems at 2 sample rates: a.wav (48 kHz), b.wav (48 kHz), c.wav (96 kHz) and d.wav"
    )
    assert "common" not in finding.measured


def test_less_than_half_is_not_most() -> None:
    """Two of five alike are not what the other three should be."""
    rates = (48_000, 48_000, 44_100, 88_200, 96_000)
    finding = only(rate_differs, several(*({"sample_rate_hz": rate} for rate in rates)))
    assert finding.says.startswith("5 stems at 4 sample rates: ")


@pytest.mark.parametrize(
    ("change", "label", "bits"),
    [
        (PCM_16, "16-bit", 16.0),
        (FLOAT, "32-bit float", 32.0),
        (DOUBLE, "64-bit float", 64.0),
        ({"valid_bits": 20}, "20-bit", 20.0),
    ],
)
def test_depth_differs(change: dict[str, Any], label: str, bits: float) -> None:
    """Another depth is named, floats and integers of as many bits apart."""
    finding = only(depth_differs, several({}, change, {}))
    assert (finding.code, finding.verdict, finding.stems) == ("depth_differs", Verdict.LISTEN, ("b.wav",))
    assert finding.says == f"1 of 3 stems not in 24-bit: b.wav ({label}). Export all in one depth."
    assert finding.measured == {"common": "24-bit", "bits": (bits,)}


def test_one_depth() -> None:
    """24 bits are 24 bits, in a container of 24 or of 32."""
    assert depth_differs(several({}, {"encoding": Encoding.PCM_32}, {"sample_rate_hz": 96_000})) == []


def stamps(*frames: int | None, rates_hz: Sequence[int] = ()) -> list[StemFacts]:
    """Stems with these time stamps."""
    rates = rates_hz or [48_000] * len(frames)
    return several(*({"start_frames": at, "sample_rate_hz": rate} for at, rate in zip(frames, rates, strict=True)))


def test_start_differs() -> None:
    """One that begins two seconds behind is named with the difference, and its place counts from the first of all."""
    finding = only(start_differs, stamps(48_000, 48_000, 144_000, None))
    assert (finding.code, finding.verdict, finding.stems) == ("start_differs", Verdict.LISTEN, ("c.wav",))
    assert finding.at_s == (2.0,)
    assert finding.says.startswith(
        "1 of 3 stems with another time stamp than the rest: c.wav (+0:02.000). Line them up"
    )


def test_start_before_the_others() -> None:
    """A stem that begins before the rest is the first place in time."""
    finding = only(start_differs, stamps(48_000, 48_000, 0))
    assert finding.at_s == (0.0,)
    assert "c.wav (-0:01.000)" in finding.says


def test_a_single_frame_differs() -> None:
    """A start is the same to the sample or it is another, be it 2^53 frames after midnight."""
    late = 2**53
    assert start_differs(stamps(late, late, late)) == []
    assert only(start_differs, stamps(late, late, late + 1)).stems == ("c.wav",)


@pytest.mark.parametrize("frames", [(None, None), (7, None), (None,), (), (0, 0, None)])
def test_nothing_to_compare(frames: tuple[int | None, ...]) -> None:
    """Fewer than two time stamps, or equal ones, differ in nothing; a missing one is no other start."""
    assert start_differs(stamps(*frames)) == []


def test_one_start_at_two_rates() -> None:
    """Ten o'clock is one place at 48 and at 44.1 kHz; a frame aside is the rounding of another rate, two are not."""
    assert start_differs(stamps(1_728_000_000, 1_587_600_000, rates_hz=(48_000, 44_100))) == []
    assert start_differs(stamps(1_728_000_001, 1_587_600_000, rates_hz=(48_000, 44_100))) == []
    assert only(start_differs, stamps(1_728_000_000, 1_587_600_002, rates_hz=(48_000, 44_100))).at_s == (
        0.0,
        pytest.approx(2 / 44_100),
    )


def test_length_differs() -> None:
    """A part that ends earlier is a fact with both lengths."""
    finding = only(length_differs, several({}, {}, {"frames": 96_000}))
    assert (finding.code, finding.verdict, finding.stems) == ("length_differs", Verdict.USABLE, ("c.wav",))
    assert finding.says == "1 of 3 stems not 0:10.000 long: c.wav (0:02.000)."
    assert finding.measured == {"common": "0:10.000", "length_s": (2.0,)}


def test_one_length() -> None:
    """One frame makes a difference at one rate, and none between two rates."""
    assert only(length_differs, several({}, {}, {"frames": 480_001})).stems == ("c.wav",)
    assert length_differs(several({}, {"frames": 441_001, "sample_rate_hz": 44_100})) == []
    assert only(length_differs, several({}, {"frames": 441_002, "sample_rate_hz": 44_100})).code == "length_differs"


@pytest.mark.parametrize(
    ("encoding", "valid_bits", "used_bits", "padded"),
    [
        (Encoding.PCM_24, 24, 16, True),
        (Encoding.PCM_24, 24, 20, True),
        (Encoding.PCM_24, 24, 21, False),
        (Encoding.PCM_24, 24, 24, False),
        (Encoding.PCM_24, 24, 8, True),
        (Encoding.PCM_24, 24, 7, False),
        (Encoding.PCM_24, 24, None, False),
        (Encoding.PCM_24, 20, 16, True),
        (Encoding.PCM_24, 20, 20, False),
        (Encoding.PCM_32, 32, 24, True),
        (Encoding.PCM_16, 16, 16, False),
        (Encoding.FLOAT, 0, 16, True),
        (Encoding.FLOAT, 0, 24, False),
        (Encoding.FLOAT, 0, 25, False),
        (Encoding.DOUBLE, 0, 24, True),
    ],
)
def test_is_padded(encoding: Encoding, valid_bits: int, used_bits: int | None, *, padded: bool) -> None:
    """Four bits or more that are never used are padding; a click of one height, and a float's own 24 bits, are not."""
    assert is_padded(encoding, valid_bits, used_bits) is padded


def test_padded_bits() -> None:
    """16 bits in 24 are a fact, and named as such."""
    finding = only(padded_bits, several({"used_bits": 16}, {}, {"used_bits": None}, {**FLOAT, "used_bits": 16}))
    assert (finding.code, finding.verdict, finding.stems) == ("padded_bits", Verdict.USABLE, ("a.wav", "d.wav"))
    assert finding.measured == {"used_bits": (16.0, 16.0)}
    assert finding.says == (
        "2 stems with fewer bits than the file holds: a.wav (16 bits in 24-bit) and d.wav (16 bits in 32-bit float)."
    )


def test_no_padded_bits() -> None:
    """Stems that use their bits, 16 in 16 or 24 in 24, are no finding."""
    assert padded_bits(several({}, {**PCM_16, "used_bits": 16})) == []


def test_padded_stem() -> None:
    """One stem by itself says it too, and keeps the figure for the set."""
    (finding,) = padded_stem(stream(24), 16)
    assert (finding.code, finding.verdict, finding.measured) == ("padded_bits", Verdict.USABLE, {"used_bits": 16.0})
    assert finding.says == "Holds 16 bits in a 24-bit file: nothing is lost, nothing gained."
    assert padded_stem(stream(24), 24) == padded_stem(stream(24), None) == padded_stem(stream(16), 16) == []
