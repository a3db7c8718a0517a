"""Pieces of sentences: lists, counts, places."""

import pytest

from stager.judge.sentences import capitalised, clock, counted, exact_clock, listed, times


@pytest.mark.parametrize(
    ("names", "sentence"),
    [
        ([], ""),
        (["a"], "a"),
        (["a", "b"], "a and b"),
        (["a", "b", "c"], "a, b and c"),
        (["a", "b", "c", "d"], "a, b, c and d"),
        (["a", "b", "c", "d", "e"], "a, b, c and 2 more"),
        ([*"abcdefghijklmnopq"], "a, b, c and 14 more"),
    ],
)
def test_listed(names: list[str], sentence: str) -> None:
    """A few names are all said; of many, three are said and the rest counted, and never is only one left to count."""
    assert listed(names) == sentence


@pytest.mark.parametrize(("count", "words"), [(0, "0 names"), (1, "1 name"), (2, "2 names")])
def test_counted(count: int, words: str) -> None:
    """One is singular."""
    assert counted(count, "name") == words


@pytest.mark.parametrize(
    ("seconds", "said"), [(0.0, "0:00.0"), (9.96, "0:10.0"), (59.97, "1:00.0"), (125.5, "2:05.5"), (3600.0, "60:00.0")]
)
def test_clock(seconds: float, said: str) -> None:
    """Minutes, seconds and a tenth, rounded before they are split."""
    assert clock(seconds) == said


@pytest.mark.parametrize(("count", "words"), [(1, "once"), (2, "2 times")])
def test_times(count: int, words: str) -> None:
    """One time is once."""
    assert times(count) == words


@pytest.mark.parametrize(("text", "expected"), [("", ""), ("voice", "Voice"), ("oud DI", "Oud DI"), ("Éa", "Éa")])
def test_capitalised(text: str, expected: str) -> None:
    """Only the first letter changes."""
    assert capitalised(text) == expected


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.0, "0:00.000"), (59.9996, "1:00.000"), (222.0, "3:42.000"), (0.0004, "0:00.000"), (36_000.25, "10:00:00.250")],
)
def test_exact_clock(seconds: float, text: str) -> None:
    """Minutes and seconds to the thousandth, never sixty seconds; hours where there are any."""
    assert exact_clock(seconds) == text
