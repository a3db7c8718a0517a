"""Groups of one take, and the lines that would link them."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stager.judge.link_proposals import grouped, link_lines, link_name, link_proposals
from stager.judge.pairs import Pair
from stager.model.pairs import LagTrack, PairLikeness
from stager.project.patterns import matches_any


def pair(one: str, other: str, *, filter_depth_db: float = 8.0, lag_ms: float = 2.5) -> Pair:
    track = LagTrack(lag_ms=lag_ms, drift_ppm=0.0, support=0.9, spread_ms=0.01)
    depths = {"level_depth_db": 1.0, "filter_depth_db": filter_depth_db}
    return Pair((one, other), PairLikeness(windows=100, similarity=0.7, track=track, **depths))


def test_chains_become_one_group() -> None:
    """Stems that pairs connect are one group, whichever way the pairs come; others stay apart."""
    pairs = [("d", "c"), ("x", "y"), ("a", "b"), ("b", "c")]
    assert grouped(pairs) == grouped(pairs[::-1]) == [("a", "b", "c", "d"), ("x", "y")]


def test_no_pair_no_group() -> None:
    """Nothing in, nothing out."""
    assert grouped([]) == []


@given(st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)).filter(lambda pair: pair[0] != pair[1])))
def test_groups_are_connected_parts(edges: list[tuple[int, int]]) -> None:
    """Two names share a group where a walk over pairs joins them (breadth-first search, done again here)."""
    named = [(chr(97 + a), chr(97 + b)) for a, b in edges]
    neighbours: dict[str, set[str]] = {}
    for a, b in named:
        neighbours.setdefault(a, set()).add(b)
        neighbours.setdefault(b, set()).add(a)
    expected = set()
    for start in neighbours:
        seen, queue = {start}, [start]
        while queue:
            fresh = neighbours[queue.pop()] - seen
            seen |= fresh
            queue += fresh
        expected.add(tuple(sorted(seen)))
    assert grouped(named) == sorted(expected)


@pytest.mark.parametrize(
    ("lag_ms", "says"),
    [
        (2.5, "always 2.50 ms apart"),
        (-2.5, "always 2.50 ms apart"),
        (-0.004, "always together"),
    ],
)
def test_one_take_is_proposed_with_its_lines(lag_ms: float, says: str) -> None:
    """The proposal has the stems, the lag, and lines that TOML reads as a link of just these stems."""
    (found,) = link_proposals([pair("harmonium_L.wav", "harmonium_R.wav", lag_ms=lag_ms)])
    assert found.match == ("harmonium_L.wav", "harmonium_R.wav")
    assert says in found.says
    read = tomllib.loads(found.says[found.says.index("[[link]]") :])
    assert read == {"link": [{"name": "harmonium", "match": ["harmonium_L.wav", "harmonium_R.wav"]}]}


@pytest.mark.parametrize("depth", [0.0, 40.0], ids=["two performances", "a copy"])
def test_what_is_not_one_take_is_not_proposed(depth: float) -> None:
    """Doubles and copies are no microphones of one take."""
    both = Pair(
        ("a", "b"),
        PairLikeness(
            windows=100,
            track=LagTrack(lag_ms=0.0, drift_ppm=0.0, support=0.1, spread_ms=3.0),
            level_depth_db=0.0,
            filter_depth_db=depth,
        ),
    )
    assert link_proposals([both]) == []


@pytest.mark.parametrize(
    ("linked", "count"), [([("b", "a", "z")], 0), ([("a",), ("b",)], 1), ([("a", "z")], 1)], ids=str
)
def test_what_is_linked_is_not_proposed_again(linked: list[tuple[str, ...]], count: int) -> None:
    """A group that one link of the project holds whole needs no proposal; one that it holds in part does."""
    assert len(link_proposals([pair("a", "b")], linked)) == count


@pytest.mark.parametrize(
    ("names", "name"),
    [
        (("kit/snare_top.wav", "kit/snare_bottom.wav"), "snare"),
        (("bass di.wav", "bass amp.wav"), "bass"),
        (("ember.wav", "quarry.wav"), "ember and quarry"),
        (("a.b.wav", "a.c.wav"), "a.b and a.c"),
    ],
)
def test_a_group_has_the_name_that_its_members_share(names: tuple[str, ...], name: str) -> None:
    """What all names begin with, without the separator at its end; where they share nothing, the first one's."""
    assert link_name(names) == name


NAMES = st.text(st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="/"), min_size=1, max_size=12)


@given(st.lists(NAMES, min_size=2, max_size=4, unique=True))
def test_lines_read_back_and_match_the_very_stems(names: list[str]) -> None:
    """Whatever stands in a name, the lines are valid TOML, and their patterns match each of the stems."""
    read = tomllib.loads(link_lines(names))["link"][0]
    assert len(read["match"]) == len(names)
    for name, pattern in zip(names, read["match"], strict=True):
        assert matches_any(name, [pattern])


def test_marks_of_patterns_match_themselves_alone() -> None:
    """A star in a name is a star in its line: the stem beside it isn't linked."""
    (pattern,) = tomllib.loads(link_lines(["take*1?.wav"]))["link"][0]["match"]
    assert matches_any("take*1?.wav", [pattern])
    assert not matches_any("take two 12.wav", [pattern])
