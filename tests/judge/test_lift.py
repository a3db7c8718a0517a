"""A player's lift: which takes are level checks, which pairs count, and what is learned of simulated players."""

import random
from statistics import median

import pytest

from stager.judge.lift import checked_part, is_level_check, known_lifts, latest_pair, learned_lift, lift_pair
from stager.model import Verdict
from stager.model.takes import LiftPair, TakeLevels


def take(stem: str, peak: float | None, noise: float | None = -70.0) -> TakeLevels:
    return TakeLevels(
        stem=stem,
        at="2026-11-25T20:00:00+00:00",
        average_dbfs=None if peak is None else peak - 14.0,
        sample_peak_dbfs=peak,
        noise_floor_dbfs=noise,
        verdict=Verdict.USABLE,
    )


@pytest.mark.parametrize(
    ("stem", "seconds", "earlier", "expected"),
    [
        ("voice check.wav", 90.0, ["voice 1.wav"], True),
        ("Voice_Level_2.wav", 90.0, [], True),
        ("voice 1.wav", 12.0, [], True),
        ("voice 2.wav", 12.0, ["voice check.wav"], False),
        ("voice 2.wav", 12.0, ["lute 1.wav"], True),
        ("voice 1.wav", 20.0, [], False),
        ("checkers 1.wav", 90.0, [], False),
    ],
)
def test_what_is_a_level_check(stem: str, seconds: float, earlier: list[str], expected: bool) -> None:
    """A mark in the name, or the first take of a part where it is short."""
    assert is_level_check(stem, seconds, earlier) is expected


@pytest.mark.parametrize("stem", ["song/Voice check.wav", "song/voice_level.wav", "song/voice take 3.wav"])
def test_a_check_belongs_to_its_part(stem: str) -> None:
    """The mark is no part of the name."""
    assert checked_part(stem) == "song/voice"


@pytest.mark.parametrize(
    ("later", "rise"),
    [
        (take("voice 1.wav", -10.0), 8.0),
        (take("voice 1.wav", -10.0, noise=-68.6), 8.0),
        (take("voice 1.wav", -10.0, noise=-62.0), None),
        (take("voice 1.wav", -10.0, noise=None), None),
        (take("voice 1.wav", None), None),
        (take("lute 1.wav", -10.0), None),
    ],
    ids=["played louder", "same gain", "input turned", "never pauses", "silent", "another part"],
)
def test_pairs(later: TakeLevels, rise: float | None) -> None:
    """A gain raises noise and playing alike, by algebra: where the noise moved, the rise is no lift."""
    found = lift_pair(take("voice check.wav", -18.0), later)
    assert (found.rise_db if found else None) == rise


@pytest.mark.parametrize("seed", range(5))
def test_a_simulated_player_over_twelve_songs(seed: int) -> None:
    """The learned figure is within 1 dB of the true median rise, though every third preamplifier is turned between."""
    rng = random.Random(seed)
    habit, pairs, true_rises = rng.uniform(3.0, 12.0), [], []
    for song in range(12):
        rise, turned = rng.gauss(habit, 1.5), 8.0 if song % 3 == 2 else 0.0
        check = take("voice check.wav", -20.0, -70.0 + rng.gauss(0.0, 0.3))
        after = take("voice 1.wav", -20.0 + rise + turned, -70.0 + turned + rng.gauss(0.0, 0.3))
        true_rises.append(rise)
        pairs += [pair for pair in [lift_pair(check, after)] if pair]
    found = learned_lift(pairs, "voice")
    assert found is not None
    assert found.pairs == 8
    assert found.median_db == pytest.approx(median(true_rises), abs=1.0)


@pytest.mark.parametrize(("count", "is_known"), [(4, False), (5, True)])
def test_five_pairs_are_enough(count: int, is_known: bool) -> None:
    """Before that common practice holds; another part's pairs don't count."""
    pairs = [LiftPair(part="voice", rise_db=6.0 + n) for n in range(count)] + [LiftPair(part="lute", rise_db=1.0)] * 9
    found = learned_lift(pairs, "voice")
    assert (found is not None) is is_known
    if found:
        assert (found.median_db, found.lowest_db, found.highest_db) == (8.0, 6.0, 10.0)


def test_takes_after_one_check_count_once() -> None:
    """Takes of one song are not independent: a check and its takes are one pair, by their median."""
    checks = [take("voice check.wav", -18.0), take("lute check.wav", -40.0)]
    songs = [
        [latest_pair(song, checks, take(f"voice {n}.wav", -10.0 + n)) for n in range(3)] for song in ("one", "two")
    ]
    (found,) = known_lifts([pair for pairs in songs for pair in pairs if pair])
    assert (found.part, found.pairs, found.median_db) == ("voice", 2, 9.0)
    assert (found.lowest_db, found.highest_db) == (9.0, 9.0)


def test_the_latest_check_of_the_part_counts() -> None:
    """A second check, after the input was turned, makes the pair; without a check there is none."""
    checks = [take("voice check 1.wav", -18.0, noise=-70.0), take("voice check 2.wav", -14.0, noise=-66.0)]
    found = latest_pair("one", checks, take("voice 1.wav", -6.0, noise=-66.0))
    assert found is not None
    assert (found.check, found.rise_db, found.song) == ("voice check 2.wav", 8.0, "one")
    assert latest_pair("one", checks, take("lute 1.wav", -6.0)) is None
