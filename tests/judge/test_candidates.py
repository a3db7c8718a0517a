"""Candidates become findings: what a role or a project allows is usable, and has a finding of its own."""

from stager.judge.candidates import CandidateFinding, findings_from
from stager.judge.sentences import listed
from stager.model import Verdict
from tests.judge.facts import fact

STEMS = [fact("a.wav"), fact("b.wav", allow=("hum",)), fact("c.wav")]


def candidate(**changes: object) -> CandidateFinding:
    parts = {
        "code": "hum",
        "verdict": Verdict.LISTEN,
        "stems": STEMS,
        "says": lambda stems: f"{len(stems)}: {listed([stem.stem for stem in stems])}",
        "at_s": lambda stem: float(ord(stem.stem[0])),
        "measured": {"common": "x"},
        "each": {"bits": lambda stem: float(stem.valid_bits)},
    }
    return CandidateFinding(**{**parts, **changes})  # type: ignore[arg-type]


def test_what_a_role_allows_is_told_apart() -> None:
    """A stem whose role allows the code makes a finding of its own, usable; each has its own sentence and figures."""
    rest, meant = findings_from(candidate(), frozenset())
    assert (rest.verdict, rest.stems, rest.says) == (Verdict.LISTEN, ("a.wav", "c.wav"), "2: a.wav and c.wav")
    assert (rest.at_s, rest.measured) == ((97.0, 99.0), {"common": "x", "bits": (24.0, 24.0)})
    assert (meant.verdict, meant.stems, meant.says) == (Verdict.USABLE, ("b.wav",), "1: b.wav")
    assert (meant.at_s, meant.measured["bits"]) == ((98.0,), (24.0,))


def test_what_a_project_allows_is_usable() -> None:
    """A code that the project allows stays told, of all its stems at once."""
    (only,) = findings_from(candidate(), frozenset({"hum"}))
    assert (only.verdict, only.stems) == (Verdict.USABLE, ("a.wav", "b.wav", "c.wav"))


def test_another_code_allows_nothing() -> None:
    """Allowing another finding changes nothing."""
    (only,) = findings_from(candidate(code="silent"), frozenset({"hum"}))
    assert (only.verdict, len(only.stems)) == (Verdict.LISTEN, 3)


def test_no_places() -> None:
    """A finding without places in time has none."""
    assert findings_from(candidate(at_s=None), frozenset())[0].at_s == ()
