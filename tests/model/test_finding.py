"""Findings and verdicts: ordered from best to worst, and the worst one counts."""

import itertools

import pytest

from stager.model import Finding, Verdict, worst

USABLE, LISTEN, PLAY_AGAIN, BOUNCE_AGAIN = Verdict


def finding(verdict: Verdict) -> Finding:
    return Finding(code="clipped", verdict=verdict, says="x")


def test_order_of_verdicts() -> None:
    """Usable is the best, play again the worst of a stem, bounce again the worst of a mix."""
    assert sorted([PLAY_AGAIN, BOUNCE_AGAIN, USABLE, LISTEN], key=lambda verdict: verdict.severity) == list(Verdict)
    assert [verdict.value for verdict in Verdict] == ["usable", "listen", "play_again", "bounce_again"]


def test_no_finding_is_usable() -> None:
    """A stem about which there is nothing to say is usable."""
    assert worst(()) is USABLE


@pytest.mark.parametrize("verdicts", list(itertools.product(Verdict, repeat=3)))
def test_worst_wins_in_any_order(verdicts: tuple[Verdict, ...]) -> None:
    """A stem is as good as its worst finding, wherever that stands."""
    order = (BOUNCE_AGAIN, PLAY_AGAIN, LISTEN, USABLE)
    expected = next(verdict for verdict in order if verdict in verdicts)
    assert worst(map(finding, verdicts)) is expected


def test_finding_defaults() -> None:
    """A finding without a place or a figure has neither."""
    found = finding(USABLE)
    assert (found.channels, found.count, found.total_s, found.at_s, found.worst_at_s) == ((), 1, None, (), None)
    assert found.measured == {}
