"""What a terminal shows: 80 columns, no control characters, what needs attention first, and every level explained."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.model import Outcome, Refused, Staged, Verdict
from stager.report import Row, convention, figure, gone_line, outcome_line, outcomes_text, rows_text
from tests.support.records import levels, sidecar

REFUSED = Refused("b.wav", "bounces/b.wav", "truncated", "b.wav: cut")


def staged(**changes: Any) -> Staged:
    fresh = changes.pop("fresh", True)
    return Staged(sidecar(**{"verdict": Verdict.USABLE, "findings": (), **changes}), fresh=fresh)


FIGURES = {
    "none": (None, 1, False, "-"),
    "one place": (-18.04, 1, False, "-18.0"),
    "two places": (-18.046, 2, False, "-18.05"),
    "signed": (3.2, 1, True, "+3.2"),
    "signed, down": (-3.2, 1, True, "-3.2"),
}

LINES: dict[str, tuple[Outcome, str]] = {
    "staged": (staged(), "staged kick.wav: raised 2 dB"),
    "up to date": (staged(fresh=False), "up to date kick.wav: raised 2 dB"),
    "to be heard": (staged(verdict=Verdict.LISTEN), "staged kick.wav: raised 2 dB; LISTEN"),
    "to be played again": (staged(verdict=Verdict.PLAY_AGAIN), "staged kick.wav: raised 2 dB; PLAY AGAIN"),
    "refused": (REFUSED, "refused b.wav, truncated: b.wav: cut"),
}


@pytest.mark.parametrize(("value", "places", "signed", "text"), FIGURES.values(), ids=FIGURES.keys())
def test_figure(value: float | None, places: int, signed: bool, text: str) -> None:
    """A level has fixed places, silence is a dash."""
    assert figure(value, places, signed=signed) == text


@pytest.mark.parametrize(("outcome", "line"), LINES.values(), ids=LINES.keys())
def test_outcome_line(outcome: Outcome, line: str) -> None:
    """One calm line a stem, and louder only where it has to be."""
    assert outcome_line(outcome) == line


def test_conventions_are_told_apart() -> None:
    """Each convention says which signal reads 0."""
    assert "sine" in convention("sine")
    assert "AES17" in convention("sine")
    assert "square" in convention("square")


def test_attention_comes_first() -> None:
    """Refused stems stand at the top, then the worst verdicts, then by name."""
    outcomes = [
        staged(stem="a.wav"),
        staged(stem="c.wav", verdict=Verdict.LISTEN),
        staged(stem="b.wav", verdict=Verdict.PLAY_AGAIN),
        Refused("z.wav", "", "unreadable", "x"),
        staged(stem="0.wav"),
    ]
    text = outcomes_text(outcomes)
    order = [line.split()[0] for line in text.splitlines() if line and line.split()[0].endswith(".wav")]
    assert order == ["z.wav", "b.wav", "c.wav", "0.wav", "a.wav"]


def test_what_a_limit_left_farther_comes_first() -> None:
    """Among stems of one verdict, the copy with most left to its target stands above."""
    trim = sidecar().trim
    outcomes = [
        staged(stem=name, trim=trim.model_copy(update={"wanted_gain_db": trim.gain_db + left}))
        for name, left in (("a.wav", 0.0), ("b.wav", 3.0), ("c.wav", 11.0))
    ]
    order = [
        line.split()[0] for line in outcomes_text(outcomes).splitlines() if line[:1] in set("abc") and ".wav" in line
    ]
    assert order == ["c.wav", "b.wav", "a.wav"]


def test_table_of_a_batch() -> None:
    """Every stem has its figures, its reason under it, and the table says what its levels mean."""
    text = outcomes_text([staged()])
    assert "-20.0" in text
    assert "+2.0" in text
    assert staged().sidecar.trim.because.split()[0] in text
    assert convention("sine") in text


def test_both_conventions_in_one_table() -> None:
    """Where stems have averages of both conventions, both are explained."""
    text = outcomes_text([staged(), staged(stem="b.wav", levels=levels(average_reference="square"))])
    assert convention("sine") in " ".join(text.split())
    assert convention("square") in " ".join(text.split())


def test_serious_findings_are_shown() -> None:
    """What is to be heard is said under its stem; what is usable is not."""
    finding = sidecar().findings[0]
    usable = finding.model_copy(update={"verdict": Verdict.USABLE, "says": "quiet matter"})
    listen = finding.model_copy(update={"says": "loud matter"})
    text = outcomes_text([staged(findings=(usable, listen), verdict=Verdict.LISTEN)])
    assert "LISTEN: loud matter" in text
    assert "quiet matter" not in text


def test_only_refusals() -> None:
    """A batch without a level explains none."""
    text = outcomes_text([REFUSED])
    assert "REFUSED, truncated: b.wav: cut" in text
    assert "dBFS" not in text


@settings(deadline=None, max_examples=60)
@given(
    name=st.text(min_size=1, max_size=120),
    note=st.text(alphabet=st.characters(codec="ascii"), max_size=300),
)
def test_no_line_over_eighty_columns(name: str, note: str) -> None:
    """Whatever a stem is called, no line of a table is wider than a terminal, and all of it is printable."""
    text = rows_text(("stem", "average"), [Row((name, "-18.0"), (note,))], left=1)
    for line in text.splitlines():
        assert line.isprintable()
        assert len(line) <= 80


@pytest.mark.parametrize("name", ["k" * 200, "\u4e2d" * 100, "a\u0301" * 100], ids=["long", "wide", "combining"])
def test_long_name_keeps_its_end(name: str) -> None:
    """A name too long for its column loses its beginning: the end tells stems apart."""
    text = rows_text(("stem", "average"), [Row((name + "END.wav", "-18.0"))], left=1)
    line = text.splitlines()[1]
    assert "END.wav" in line
    assert "-18.0" in line


def test_numbers_stand_under_each_other() -> None:
    """Figures are set to the right, names to the left."""
    text = rows_text(("stem", "average"), [Row(("a", "-8.0")), Row(("long name", "-18.0"))], left=1)
    one, other = text.splitlines()[1:]
    assert len(one) == len(other)
    assert one.startswith("a ")
    assert one.endswith(" -8.0")


def test_stems_that_were_taken_out() -> None:
    """One is named, of many the first three; what stays is said."""
    assert gone_line(["a.wav"]) == "taken out of the inbox: a.wav; its copy stays"
    assert gone_line(["a", "b", "c"]) == "taken out of the inbox: a, b, c; their copies stay"
    assert gone_line(list("abcde")) == "taken out of the inbox: a, b, c and 2 more; their copies stay"


@pytest.mark.parametrize(
    ("balance", "says"), [(2.14, "left +2.1 dB"), (-3.0, "right +3.0 dB"), (0.0, "sides equal"), (None, None)]
)
def test_the_sides_are_compared(balance: float | None, says: str | None) -> None:
    """Each stereo stem says how its sides compare; a mono one has none."""
    text = outcomes_text([staged(levels=levels(side_balance_db=balance))])
    assert (f"balance: {says}" in text) is (says is not None)
    assert ("balance" in text) is (says is not None)
