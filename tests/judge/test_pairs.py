"""What two stems are to each other, from figures alone, and the sentences about it."""

import pytest

from stager.judge.pairs import (
    ALIKE_ONSETS,
    COPY_FILTER_DB,
    COPY_LEVEL_DB,
    COPY_ROOM_DB,
    DRIVEN_DB,
    HIGH_DOUBT_DB,
    LEVEL_DOUBT_DB,
    MIN_WINDOWS,
    MOVED_DOUBT_DB,
    MOVED_FILTER_DB,
    MOVED_LEVEL_DB,
    MOVED_MS,
    ONE_FROM,
    ROOM_DOUBT_DB,
    ROOM_FROM_DB,
    ROOM_GAIN_DB,
    SAME_SOUND_DB,
    TWO_BELOW,
    Pair,
    asks_for_amplifier,
    asks_for_room,
    copy_findings,
    kinship,
    measured_of,
    pair_findings,
)
from stager.model import Verdict
from stager.model.handover import SetFinding
from stager.model.pairs import Kinship, LagTrack, OnsetTrack, PairLikeness

LITTLE = 1e-6


def track(**changes: float) -> LagTrack:
    return LagTrack(**({"lag_ms": 12.0, "drift_ppm": 0.0, "support": 0.0, "spread_ms": 5.0} | changes))


def hits(**changes: float) -> OnsetTrack:
    return OnsetTrack(**({"count": 40, "lag_ms": 3.25, "spread_ms": 7.5, "alike": 0.0} | changes))


def likeness(**changes: object) -> PairLikeness:
    plain = {
        "compared_s": 48.0,
        "windows": 300,
        "similarity": 0.4,
        "track": track(),
        "level_depth_db": 0.0,
        "filter_depth_db": 0.0,
        "at_s": (3.0, 9.0),
    }
    return PairLikeness(**(plain | changes))


def finding(*, is_double: bool = True, **changes: object) -> SetFinding | None:
    found = pair_findings(Pair(("fiddle.wav", "fiddle_2.wav"), likeness(**changes)), is_double=is_double)
    assert len(found) <= 1
    return found[0] if found else None


HERE = track(lag_ms=MOVED_MS - LITTLE)
AWAY = track(lag_ms=-MOVED_MS)
KINDS = [
    ({"level_depth_db": COPY_LEVEL_DB, "track": HERE}, Kinship.COPY),
    ({"level_depth_db": COPY_LEVEL_DB - LITTLE, "track": HERE}, Kinship.UNSURE),
    ({"level_depth_db": HIGH_DOUBT_DB - LITTLE, "filter_depth_db": 13.0, "track": HERE}, Kinship.SAME_TAKE),
    ({"level_depth_db": LEVEL_DOUBT_DB, "filter_depth_db": LEVEL_DOUBT_DB, "track": HERE}, Kinship.UNSURE),
    ({"level_depth_db": LEVEL_DOUBT_DB - LITTLE, "filter_depth_db": 7.0, "track": HERE}, Kinship.SAME_TAKE),
    ({"level_depth_db": 8.0, "filter_depth_db": 8.0 + SAME_SOUND_DB, "track": HERE}, Kinship.SAME_TAKE),
    ({"filter_depth_db": COPY_FILTER_DB, "track": HERE}, Kinship.COPY),
    ({"filter_depth_db": COPY_FILTER_DB - LITTLE, "track": HERE}, Kinship.SAME_TAKE),
    ({"level_depth_db": MOVED_LEVEL_DB, "track": AWAY}, Kinship.COPY),
    ({"level_depth_db": MOVED_LEVEL_DB - LITTLE, "track": AWAY}, Kinship.UNSURE),
    ({"level_depth_db": MOVED_DOUBT_DB[0] - LITTLE, "track": AWAY}, Kinship.SAME_TAKE),
    ({"filter_depth_db": MOVED_FILTER_DB, "track": AWAY}, Kinship.COPY),
    ({"filter_depth_db": MOVED_FILTER_DB - LITTLE, "track": AWAY}, Kinship.UNSURE),
    ({"filter_depth_db": MOVED_DOUBT_DB[1] - LITTLE, "track": AWAY}, Kinship.SAME_TAKE),
    ({"filter_depth_db": 6.0, "room_depth_db": MOVED_DOUBT_DB[2], "track": AWAY}, Kinship.UNSURE),
    ({"filter_depth_db": 6.0, "room_depth_db": MOVED_DOUBT_DB[2] - LITTLE, "track": AWAY}, Kinship.SAME_TAKE),
    ({"filter_depth_db": 5.0, "room_depth_db": ROOM_DOUBT_DB, "track": HERE}, Kinship.UNSURE),
    ({"filter_depth_db": 5.0, "room_depth_db": ROOM_DOUBT_DB - LITTLE, "track": HERE}, Kinship.SAME_TAKE),
    ({"filter_depth_db": 17.0 - ROOM_GAIN_DB + LITTLE, "room_depth_db": 17.0, "track": HERE}, Kinship.SAME_TAKE),
    ({"driven_depth_db": DRIVEN_DB}, Kinship.SAME_TAKE),
    ({"driven_depth_db": DRIVEN_DB - LITTLE}, Kinship.TWO_PERFORMANCES),
    ({"pitch_cents": -5.0}, Kinship.UNSURE),
    ({"filter_depth_db": 8.0, "room_depth_db": COPY_ROOM_DB}, Kinship.COPY),
    ({"filter_depth_db": 8.0, "room_depth_db": COPY_ROOM_DB - LITTLE}, Kinship.UNSURE),
    ({"onsets": hits(alike=ALIKE_ONSETS)}, Kinship.COPY),
    ({"onsets": hits(alike=ALIKE_ONSETS - 0.01)}, Kinship.TWO_PERFORMANCES),
    ({"filter_depth_db": ONE_FROM}, Kinship.SAME_TAKE),
    ({"filter_depth_db": ONE_FROM - 0.9 + LITTLE, "track": track(support=0.9)}, Kinship.SAME_TAKE),
    ({"filter_depth_db": (ONE_FROM + TWO_BELOW) / 2}, Kinship.UNSURE),
    ({"filter_depth_db": TWO_BELOW - LITTLE}, Kinship.TWO_PERFORMANCES),
    ({}, Kinship.TWO_PERFORMANCES),
    ({"filter_depth_db": 60.0, "windows": MIN_WINDOWS - 1}, Kinship.UNSURE),
    ({"filter_depth_db": 60.0, "windows": MIN_WINDOWS}, Kinship.COPY),
    ({"filter_depth_db": 60.0, "track": None}, Kinship.UNSURE),
]


@pytest.mark.parametrize(("changes", "what"), KINDS, ids=lambda value: str(value)[:60])
def test_kinship_at_its_limits(changes: dict[str, object], what: Kinship) -> None:
    """Each limit separates the kinds where its constant says, from just under to just over (own figures)."""
    assert kinship(likeness(**changes)) is what


def test_lag_alone_makes_no_copy() -> None:
    """Two microphones keep a perfect line as well: without a deep cancellation they are one take, not a copy."""
    assert kinship(likeness(track=track(support=1.0), similarity=0.99, filter_depth_db=0.5)) is Kinship.SAME_TAKE


@pytest.mark.parametrize(
    ("level", "filtered", "asks"),
    [
        (0.0, ROOM_FROM_DB - LITTLE, False),
        (0.0, ROOM_FROM_DB, True),
        (0.0, COPY_FILTER_DB, False),
        (COPY_LEVEL_DB, ROOM_FROM_DB, False),
        (ROOM_FROM_DB, 0.0, True),
    ],
)
def test_a_room_is_asked_for_where_it_can_decide(level: float, filtered: float, asks: bool) -> None:
    """The long filter costs most, so it is fitted only between what is no copy and what surely is one."""
    assert asks_for_room(likeness(level_depth_db=level, filter_depth_db=filtered, track=HERE)) is asks


@pytest.mark.parametrize(
    ("filtered", "asks"), [(0.0, False), (0.49, False), (0.5, True), (1.99, True), (2.0, False), (60.0, False)]
)
def test_an_amplifier_is_asked_for_where_a_filter_tells_little(filtered: float, asks: bool) -> None:
    """Neither where nothing at all is shared nor where one take is told already."""
    assert asks_for_amplifier(likeness(filter_depth_db=filtered)) is asks


def test_one_take_that_may_be_a_copy_says_both() -> None:
    """The sentence names both ways in which it may have come to be."""
    found = finding(level_depth_db=12.0, track=HERE)
    assert found is not None
    assert found.code == "double_unsure"
    assert "a second microphone, or a copy with room added" in found.says


@pytest.mark.parametrize(
    ("changes", "parts"),
    [
        ({"track": track(lag_ms=12.0)}, ["fiddle_2.wav", "copy of fiddle.wav", "12.00 ms later"]),
        (
            {"track": track(lag_ms=-0.5), "level_db": 2.0},
            ["fiddle.wav is", "copy of fiddle_2.wav", "0.50 ms later", "2.0 dB softer"],
        ),
        ({"track": track(lag_ms=0.0)}, ["at the same place"]),
        ({"flipped": True}, ["polarity flipped"]),
        ({"level_db": -3.04}, ["3.0 dB softer"]),
        ({"level_db": 6.0}, ["6.0 dB louder"]),
        ({"track": track(drift_ppm=1000.0)}, ["0.100 % slower"]),
        ({"track": track(drift_ppm=-1000.0)}, ["0.100 % faster"]),
        ({"level_depth_db": 8.0}, ["filtered or in a room"]),
        ({"onsets": hits(alike=1.0, lag_ms=3.25)}, ["3.25 ms later"]),
    ],
)
def test_a_copy_is_named_with_what_was_done_to_it(changes: dict[str, object], parts: list[str]) -> None:
    """The sentence names both stems, the shift in ms, and polarity, level, drift and filter where there are any."""
    found = finding(**({"level_depth_db": 50.0, "filter_depth_db": 50.0} | changes))
    assert found is not None
    assert (found.code, found.verdict) == ("double_is_copy", Verdict.LISTEN)
    for part in parts:
        assert part in found.says


@pytest.mark.parametrize("unsaid", ["softer", "louder", "slower", "faster", "flipped", "filtered"])
def test_a_plain_copy_is_said_plainly(unsaid: str) -> None:
    """What was not done to a copy is not in its sentence."""
    found = finding(level_depth_db=50.0, filter_depth_db=50.0, level_db=0.1, track=track(drift_ppm=5.0))
    assert found is not None
    assert unsaid not in found.says


def test_a_copy_is_found_under_any_name() -> None:
    """Whether names speak of a double or not, a copy is told."""
    found = finding(is_double=False, level_depth_db=50.0)
    assert found is not None
    assert found.code == "double_is_copy"


def test_places_follow_the_shift() -> None:
    """Each stem has a place to listen to; the copy's is later by its shift."""
    found = finding(level_depth_db=50.0, track=track(lag_ms=250.0))
    assert found is not None
    assert found.at_s == pytest.approx((3.0, 3.25))


def test_a_true_double_gets_tightness_and_balance() -> None:
    """The sentence has the median lag, the spread and which side is louder."""
    found = finding(onsets=hits(lag_ms=-3.25, spread_ms=7.5), level_db=-2.0)
    assert found is not None
    assert found.verdict is Verdict.USABLE
    for part in ("two performances", "usually 3 ms ahead", "wander by 8 ms", "fiddle.wav is 2.0 dB louder"):
        assert part in found.says


def test_a_double_without_beginnings_says_so() -> None:
    """Pads have no clear beginnings to time: no figure is made up."""
    found = finding(onsets=None, level_db=0.2)
    assert found is not None
    assert "timing can't be measured here" in found.says
    assert "equally loud" in found.says


@pytest.mark.parametrize(
    ("changes", "part"), [({"windows": 3}, "too short"), ({"filter_depth_db": 1.1}, "can't be told")]
)
def test_unsure_says_so(changes: dict[str, object], part: str) -> None:
    """What can't be told is said as such, and why."""
    found = finding(**changes)
    assert found is not None
    assert found.verdict is Verdict.USABLE
    assert part in found.says


@pytest.mark.parametrize("changes", [{}, {"filter_depth_db": 1.1}, {"filter_depth_db": 8.0}])
def test_stems_that_are_no_double_have_nothing_to_be_told(changes: dict[str, object]) -> None:
    """Two different parts are two performances, and nobody asked."""
    assert finding(is_double=False, **changes) is None


def test_one_take_is_no_accusation() -> None:
    """Two microphones of one take have no finding, even where names speak of a double."""
    assert finding(filter_depth_db=8.0) is None


def test_measured_leaves_out_what_was_not_measured() -> None:
    """No figure stands for none."""
    assert "room_depth_db" not in measured_of(likeness())
    assert measured_of(likeness(room_depth_db=21.0))["room_depth_db"] == 21.0
    assert measured_of(PairLikeness()) == {"similarity": 0.0, "compared_s": 0.0}


def test_a_family_of_four_is_one_finding() -> None:
    """Three copies of one stem, found as pairs, are one line with four names; a lone pair keeps its own."""
    copy = likeness(level_depth_db=50.0, filter_depth_db=50.0)
    pairs = [Pair(("11.wav", name), copy) for name in ("09.wav", "12.wav", "13.wav")]
    family, lone = copy_findings([*pairs, Pair(("x.wav", "y.wav"), copy)])
    assert family.stems == ("09.wav", "11.wav", "12.wav", "13.wav")
    assert family.says.startswith("09.wav, 11.wav, 12.wav and 13.wav are one performance, copied.")
    assert "counts it 4 times" in family.says
    assert "y.wav is a copy of x.wav" in lone.says


def test_a_shift_in_pitch_is_said() -> None:
    """A copy, or one stored sound played twice: a person decides."""
    found = finding(pitch_cents=-5.0)
    assert found is not None
    assert (found.code, found.measured["pitch_cents"]) == ("double_unsure", -5.0)
    assert found.says == (
        "fiddle_2.wav sounds like fiddle.wav shifted in pitch by 5 cents: a copy, or both play one stored sound. "
        "Only you know."
    )
