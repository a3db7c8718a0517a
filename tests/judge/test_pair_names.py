"""Which names belong together."""

import pytest

from stager.judge.pair_names import MAX_GROUP, is_double_by_name, name_pairs

TOGETHER = [
    ("voice_L.wav", "voice_R.wav"),
    ("fiddle.wav", "fiddle_double.wav"),
    ("fiddle_main.wav", "fiddle_double_2.wav"),
    ("Voice Dbl.wav", "voice.wav"),
    ("GuitarLeft.wav", "GuitarRight.wav"),
    ("choir 1.wav", "choir 2.flac"),
    ("choir1.wav", "choir2.wav"),
    ("bass di.wav", "bass amp.wav"),
    ("kit/snare top.wav", "kit/snare bottom.wav"),
]


@pytest.mark.parametrize(("one", "other"), TOGETHER)
def test_names_that_belong_together(one: str, other: str) -> None:
    """Sides, doubles, numbers and microphones of one part make a pair (common practice, no source)."""
    assert name_pairs([one, other]) == [(0, 1)]


@pytest.mark.parametrize(
    ("one", "other"),
    [("fiddle.wav", "lute.wav"), ("voice_lead.wav", "voice_hum.wav"), ("1.wav", "2.wav"), ("L.wav", "R.wav")],
)
def test_names_that_do_not(one: str, other: str) -> None:
    """Other parts are no pair, and a number or a side alone names no part."""
    assert name_pairs([one, other]) == []


def test_pairs_are_places_in_the_list() -> None:
    """Three of a name are three pairs; what stands between them is not touched."""
    assert name_pairs(["oud 1", "drum", "oud 2", "oud 3"]) == [(0, 2), (0, 3), (2, 3)]


@pytest.mark.parametrize(("count", "pairs"), [(MAX_GROUP, MAX_GROUP * (MAX_GROUP - 1) // 2), (MAX_GROUP + 1, 0)])
def test_long_numbered_lists_are_no_doubles(count: int, pairs: int) -> None:
    """Up to eight of a name are compared each with each, n (n - 1) / 2 pairs; more are numbered parts."""
    assert len(name_pairs([f"part {number}" for number in range(count)])) == pairs


@pytest.mark.parametrize(
    ("one", "other", "is_double"),
    [
        ("voice_L.wav", "voice_R.wav", True),
        ("fiddle_main.wav", "fiddle_double.wav", True),
        ("choir 1.wav", "choir 2.wav", True),
        ("bass di.wav", "bass amp.wav", False),
        ("snare top.wav", "snare bottom.wav", False),
        ("fiddle.wav", "lute.wav", False),
    ],
)
def test_doubles_by_name(one: str, other: str, is_double: bool) -> None:
    """Sides, doubles and numbers speak of a second performance; microphones and lines speak of one take."""
    assert is_double_by_name(one, other) is is_double
    assert is_double_by_name(other, one) is is_double
