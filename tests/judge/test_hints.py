"""Hints about the project file: when they are given, and under which key they count as given."""

import pytest

from stager.judge import decide_trim, percussive_hint, second_role_hint
from stager.judge.hints import PERCUSSIVE_CREST_DB
from stager.model import Reference, Rule, Target
from stager.units import SINE_CREST_DB
from tests.support.records import levels


def hint(
    *, peak: float | None, average: float | None, reference: Reference = "sine", rule: Rule = "average"
) -> str | None:
    stem = levels(sample_peak_dbfs=peak, average_dbfs=average, average_reference=reference, true_peak_dbtp=peak)
    trim = decide_trim(stem, Target(rule=rule, reference=reference), lambda gain: -20.0 + gain)
    found = percussive_hint("tabla.wav", stem, trim)
    return found.says if found else None


@pytest.mark.parametrize(("reference", "shift"), [("sine", SINE_CREST_DB), ("square", 0.0)])
@pytest.mark.parametrize(("crest", "is_said"), [(17.99, False), (18.01, True)])
def test_percussive_at_any_reference(reference: Reference, shift: float, crest: float, is_said: bool) -> None:
    """A peak more than 18 dB over the mathematical RMS is said, in either convention (common practice, no source)."""
    said = hint(peak=-10.0, average=-10.0 - crest + shift, reference=reference)
    assert (said is not None) is is_said


def test_percussive_sentence() -> None:
    """The hint names the stem and what would suit it."""
    says = hint(peak=-6.0, average=-40.0) or ""
    for part in ("tabla.wav", "percussive", "a peak target suits it", 'match = ["tabla.wav"]'):
        assert part in says


@pytest.mark.parametrize(
    "given",
    [
        {"peak": -6.0, "average": -40.0, "rule": "peak"},
        {"peak": -6.0, "average": -40.0, "rule": "leave"},
        {"peak": -75.0, "average": None},
        {"peak": None, "average": None},
    ],
    ids=["by peak already", "left", "too quiet", "silent"],
)
def test_nothing_to_hint(given: dict[str, object]) -> None:
    """A stem under another rule, or without a figure, is not called percussive."""
    assert hint(**given) is None


def test_percussive_is_one_key() -> None:
    """Whichever stem it is, the hint counts as said once for the project."""
    stem = levels(sample_peak_dbfs=-6.0, average_dbfs=-40.0, true_peak_dbtp=-6.0)
    trim = decide_trim(stem, Target(), lambda gain: -40.0 + gain)
    keys = {found.once for name in ("a", "b") if (found := percussive_hint(name, stem, trim))}
    assert keys == {"percussive"}


def test_limit_is_eighteen() -> None:
    """The crest above which an average says little (common practice, no source)."""
    assert PERCUSSIVE_CREST_DB == 18.0


@pytest.mark.parametrize("roles", [[], ["drum"]])
def test_one_role_is_clear(roles: list[str]) -> None:
    """With one role or none there is nothing to say."""
    assert second_role_hint("kick.wav", roles) is None


def test_two_roles_are_said() -> None:
    """Where two roles match, both are named and it is said which counts; each stem has its own key."""
    found = second_role_hint("kick.wav", ["drum", "low", "more"])
    assert found is not None
    assert found.says.startswith('kick.wav has the role "drum"; "low" matches too')
    assert found.once != (second_role_hint("snare.wav", ["drum", "low"]) or found).once
