"""Findings of the set from stems that stand out: what is deliberate, what a long list becomes."""

import pytest

from stager.judge.told import Odd, counted, listed, told
from stager.model import Verdict
from tests.judge.facts import fact

STEMS = [fact("a.wav"), fact("b.wav", allow=("hum",)), fact("c.wav")]


def odd(**changes: object) -> Odd:
    parts = {
        "code": "hum",
        "verdict": Verdict.LISTEN,
        "stems": STEMS,
        "says": lambda stems: f"{len(stems)}: {listed([stem.stem for stem in stems])}",
        "at_s": lambda stem: float(ord(stem.stem[0])),
        "measured": {"common": "x"},
        "each": {"bits": lambda stem: float(stem.valid_bits)},
    }
    return Odd(**{**parts, **changes})  # type: ignore[arg-type]


def test_what_a_role_allows_is_told_apart() -> None:
    """A stem whose role allows the code makes a finding of its own, usable; each has its own sentence and figures."""
    rest, meant = told(odd(), frozenset())
    assert (rest.verdict, rest.stems, rest.says) == (Verdict.LISTEN, ("a.wav", "c.wav"), "2: a.wav and c.wav")
    assert (rest.at_s, rest.measured) == ((97.0, 99.0), {"common": "x", "bits": (24.0, 24.0)})
    assert (meant.verdict, meant.stems, meant.says) == (Verdict.USABLE, ("b.wav",), "1: b.wav")
    assert (meant.at_s, meant.measured["bits"]) == ((98.0,), (24.0,))


def test_what_a_project_allows_is_usable() -> None:
    """A code that the project allows stays told, of all its stems at once."""
    (only,) = told(odd(), frozenset({"hum"}))
    assert (only.verdict, only.stems) == (Verdict.USABLE, ("a.wav", "b.wav", "c.wav"))


def test_another_code_allows_nothing() -> None:
    """Allowing another finding changes nothing."""
    (only,) = told(odd(code="silent"), frozenset({"hum"}))
    assert (only.verdict, len(only.stems)) == (Verdict.LISTEN, 3)


def test_no_places() -> None:
    """A finding without places in time has none."""
    assert told(odd(at_s=None), frozenset())[0].at_s == ()


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
