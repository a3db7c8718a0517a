"""Which flat tops count, by the shapes and numbers that a meter found."""

from typing import Any

import pytest

from stager.judge.plateaus import clipped_channels
from stager.model import DamageLimits, FlatTop, Verdict

LIMITS = DamageLimits()
RATE_HZ = 48_000
LISTEN, AGAIN = Verdict.LISTEN, Verdict.PLAY_AGAIN


def top(**changes: Any) -> FlatTop:
    """Tops of one channel at the upper full scale; by default four flat ones of five samples."""
    parts: dict[str, Any] = {
        "channel": 0,
        "level_linear": 1.0,
        "tolerance_linear": 2.0**-15,
        "events": 4,
        "frames": 20,
        "flat_events": 4,
        "flat_frames": 20,
        "short_events": 0,
        "pair_events": 0,
        "below_events": 0,
        "longest_frames": 5,
        "longest_start": 0,
        "starts": (0,),
    }
    return FlatTop(**{**parts, **changes})


def short(events: int, **changes: Any) -> FlatTop:
    """Tops of one or two samples, sharp and of different shapes."""
    parts = {"events": events, "frames": events, "flat_events": 0, "flat_frames": 0, "short_events": events}
    parts["distinct_shapes"] = min(3, events)
    return top(**{**parts, "varied_events": events - 1, "curvature_linear": 0.6, "longest_frames": 1, **changes})


ROUND = top(events=9, frames=45, flat_events=0, flat_frames=0)
"""Nine crests of five samples that fall off as round ones do, as a low sine has on 16 bits."""

ROUND_BELOW = ROUND.model_copy(update={"level_linear": 0.6})
FEW: dict[str, Any] = {"level_linear": 0.6, "curvature_linear": 0.1, "tolerance_linear": 2.0**-13}
"""Of few round single samples below full scale, which agree as dither leaves them, and not exactly."""

CASES: dict[str, tuple[list[FlatTop], Verdict | None]] = {
    "nothing": ([], None),
    "flat tops": ([top()], AGAIN),
    "one of eight samples": ([top(events=1, frames=8, flat_events=1)], AGAIN),
    "two of seven samples in all": ([top(events=2, frames=7, flat_events=2)], LISTEN),
    "few under full scale": ([top(level_linear=0.5, events=2, frames=7, flat_events=2)], None),
    "two above and one below are three": (
        [top(events=2, frames=6, flat_events=2), top(level_linear=-1.0, events=1, frames=3, flat_events=1)],
        AGAIN,
    ),
    "two in one channel and one in another are not": (
        [top(events=2, frames=6, flat_events=2), top(channel=1, events=1, frames=3, flat_events=1)],
        LISTEN,
    ),
    "a peak of one sample": ([short(1)], None),
    "pairs of samples": ([short(3, frames=5, pair_events=2)], AGAIN),
    "single samples, sharp": ([short(3)], AGAIN),
    "single samples, sharp, past full scale, where a limiter in float ends": (
        [short(3, level_linear=1.04, curvature_linear=0.73)],
        LISTEN,
    ),
    "the same softer, in the other channel": (
        [short(3, level_linear=0.6, channel=1), short(3, level_linear=1.04, curvature_linear=0.3)],
        LISTEN,
    ),
    "single samples, as round as under a limiter": ([short(100, curvature_linear=0.15)], LISTEN),
    "single samples, and many just under": ([short(10, below_events=4)], LISTEN),
    "a pair among round single samples": ([short(40, curvature_linear=0.15, pair_events=2)], LISTEN),
    "round crests": ([ROUND], None),
    "mostly round crests": ([top(events=9, flat_events=4)], None),
    "crests that thin out towards the extreme": ([top(below_events=3)], None),
    "an even tone of whole periods": ([short(100, varied_events=2)], None),
    "two shapes in turn, as in a stroke that is repeated": ([short(16, distinct_shapes=2)], None),
    "crests as blunt as the grid": ([short(100, curvature_linear=0.001)], None),
    "stairs": ([top(stepped_events=4)], Verdict.USABLE),
    "one more on the other side, at the same level": (
        [top(events=2, frames=6, flat_events=2), short(1, level_linear=-1.0)],
        AGAIN,
    ),
    "one more on the other side, among as many as may be": (
        [top(events=2, frames=6, flat_events=2), short(1, level_linear=-1.0, below_events=3)],
        AGAIN,
    ),
    "one more on the other side, among too many": (
        [top(events=2, frames=6, flat_events=2), short(1, level_linear=-1.0, below_events=4)],
        LISTEN,
    ),
    "a few flat ones by chance among very many crests": (
        [short(404, short_events=400, varied_events=9, flat_events=4)],
        None,
    ),
    "one more on the other side, at another level": (
        [top(events=2, frames=6, flat_events=2), short(1, level_linear=-0.99)],
        LISTEN,
    ),
    "a tolerance too coarse for a low level": ([top(level_linear=0.02)], None),
    "a coarser tolerance shows many more": ([short(2), top(tolerance_linear=2.0**-13)], AGAIN),
    "three that dither left, in one stroke": ([ROUND_BELOW, short(3, **FEW, starts=(0, 100, 239))], None),
    "three that dither left, in two strokes": ([ROUND_BELOW, short(3, **FEW, starts=(0, 100, 240))], LISTEN),
    "four that dither left, in one stroke": ([ROUND_BELOW, short(4, **FEW, starts=(0, 50, 100, 150))], LISTEN),
    "three that dither left, sharp": (
        [ROUND_BELOW, short(3, **{**FEW, "curvature_linear": 0.6}, starts=(0, 100, 240))],
        LISTEN,
    ),
    "three sharp ones at exactly one level": ([short(3, level_linear=0.6, curvature_linear=0.6)], AGAIN),
    "three at exactly one level, in one stroke": (
        [short(3, level_linear=0.6, curvature_linear=0.1, starts=(0, 100, 239))],
        LISTEN,
    ),
    "three that dither left at full scale": ([ROUND, short(3, **{**FEW, "level_linear": 1.0})], LISTEN),
    "the finest tolerance shows nothing, a coarser one does": (
        [top(below_events=50), top(tolerance_linear=2.0**-13)],
        AGAIN,
    ),
}


@pytest.mark.parametrize(("tops", "verdict"), CASES.values(), ids=CASES.keys())
def test_verdict(tops: list[FlatTop], verdict: Verdict | None) -> None:
    """What rests at an extreme, and how much of it, decides (own figures; three events or eight samples are enough)."""
    found = clipped_channels(tops, RATE_HZ, LIMITS)
    severest = max((each.verdict for each in found), key=lambda each: each.severity, default=None)
    assert severest is verdict


def test_channels_are_judged_by_themselves() -> None:
    """Each channel has its own entry, with its own tops."""
    found = clipped_channels([top(), top(channel=2, level_linear=-0.5)], RATE_HZ, LIMITS)
    assert [(each.tops[0].channel, each.is_full_scale) for each in found] == [(0, True), (2, False)]


@pytest.mark.parametrize(("frames", "verdict"), [(20, AGAIN), (21, LISTEN)])
def test_limits_are_those_given(frames: int, verdict: Verdict) -> None:
    """A role that allows more samples at an extreme is heard."""
    limits = DamageLimits(clip_frames=frames, clip_events=100)
    assert clipped_channels([top()], RATE_HZ, limits)[0].verdict is verdict


@pytest.mark.parametrize(
    ("tops", "verdict"),
    [
        ([top()], None),
        ([top(level_linear=0.5, events=10, frames=90, flat_events=10)], None),
        ([top(level_linear=0.5, events=19, frames=90, flat_events=19)], None),
        ([top(level_linear=0.5, events=20, frames=90, flat_events=20)], LISTEN),
        ([top(events=30, frames=150, flat_events=30)], LISTEN),
        ([top(events=30, frames=150, flat_events=0, stepped_events=30)], Verdict.USABLE),
    ],
)
def test_on_coarse_levels_tops_meet_by_chance(tops: list[FlatTop], verdict: Verdict | None) -> None:
    """Of sound that was stored with 8 bits only many tops are reported, and never for another take (arithmetic)."""
    found = clipped_channels(tops, RATE_HZ, LIMITS, level_steps=[2.0**-7])
    assert [each.verdict for each in found] == ([] if verdict is None else [verdict])
    assert clipped_channels(tops, RATE_HZ, LIMITS, level_steps=[0.0]) == clipped_channels(tops, RATE_HZ, LIMITS)
