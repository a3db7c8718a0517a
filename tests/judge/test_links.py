"""One trim for a group: worked arithmetic, and the decision for one stem alone as the reference."""

from collections.abc import Callable, Sequence
from math import floor, log10
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stager.judge import FigureAfter, decide_trim
from stager.judge.links import LinkMember, LinkTrim, decide_link, link_incomplete, link_member, member_trim
from stager.model import DecidedBy, Target, Verdict
from tests.support.records import levels

TARGET = Target()


def follows(measured_db: float) -> FigureAfter:
    """A figure without gates: it moves as the gain does."""
    return lambda gain_db: measured_db + gain_db


def nothing(_gain_db: float) -> None:
    """A figure that is not there."""


def member(
    stem: str = "kick.wav",
    average: float | None = -24.0,
    peak: float | None = -14.0,
    *,
    target: Target = TARGET,
    guard: float | None = None,
    figure: FigureAfter | None = None,
    rule_figure: FigureAfter | None = None,
) -> LinkMember:
    """A member with this average and true peak."""
    found = levels(average_dbfs=average, true_peak_dbtp=peak, sample_peak_dbfs=peak)
    after = figure or (nothing if average is None else follows(average))
    figures = {"average": after, target.rule: rule_figure or after}
    return link_member(stem, f"sha of {stem}", found, target, figures, clip_guard_dbfs=guard)


def decided(*members: LinkMember, target: Target = TARGET) -> LinkTrim:
    return decide_link("kit", target, members)


KIT = (
    member("kick.wav", -26.0, -12.0),
    member("snare.wav", -29.0, -9.0),
    member("overhead_l.wav", -31.0, -17.0),
    member("overhead_r.wav", -31.5, -16.0),
    member("room.wav", -35.0, -22.0),
)
"""Five microphones; the kick is the loudest, 8 dB under its target, the snare has the highest peak, 6 dB of room."""


def test_the_smallest_that_any_member_allows() -> None:
    """The kick wants 8 dB, the snare's peak of -9 under a ceiling of -3 leaves 6: all get 6, and it is named."""
    trim = decided(*KIT)
    assert (trim.gain_db, trim.wanted_gain_db, trim.decided_by) == (6.0, 8.0, DecidedBy.LINK)
    assert (trim.loudest, trim.limited_by_stem) == ("kick.wav", "snare.wav")
    assert trim.because == (
        'Raised 6 dB with the link "kit"; its loudest member, kick.wav, asked for +8.0 dB, '
        "the ceiling of -3 dBTP on snare.wav stopped it: the true peak goes from -9.0 to -3.0 dBTP."
    )


def test_every_member_gets_the_same() -> None:
    """Each of the five has the same gain and reason, its own level, room and prediction, and the fader move back."""
    trim = decided(*KIT)
    for each, average, peak in zip(
        KIT, (-26.0, -29.0, -31.0, -31.5, -35.0), (-12.0, -9.0, -17.0, -16.0, -22.0), strict=True
    ):
        found = member_trim(trim, each, follows(average))
        assert (found.gain_db, found.restore_fader_db, found.link) == (6.0, -6.0, "kit")
        assert (found.limited_by_stem, found.because) == ("snare.wav", trim.because)
        assert (found.measured_db, found.ceiling_allows_db) == (average, -3.0 - peak)
        assert found.predicted_average_dbfs == pytest.approx(average + 6.0)
        assert found.predicted_true_peak_dbtp == pytest.approx(peak + 6.0)
        assert (found.target, found.boost_allows_db, found.bus_offset_db) == (TARGET, 18.0, 0.0)


def test_order_of_members_makes_no_difference() -> None:
    """Members come as they come: the decision is the same."""
    assert decided(*reversed(KIT)) == decided(*KIT)


CASES: dict[str, tuple[Sequence[LinkMember], float, str | None, str]] = {
    "to the target": (
        KIT[:1] + KIT[2:],
        8.0,
        None,
        "kick.wav, goes from -26.0 to the average of -18 dBFS RMS (AES17).",
    ),
    "lowered": ((member("a", -10.0, -8.0), member("b", -30.0, -20.0)), -8.0, None, "Lowered 8 dB"),
    "a peak over the ceiling lowers all": (
        (member("a", -18.0, -8.0), member("b", -30.0, -1.0)),
        -2.0,
        "b",
        "the ceiling of -3 dBTP on b asks for more: the true peak goes from -1.0 to -3.0 dBTP.",
    ),
    "the boost limit": (
        (member("a", -50.0, -40.0), member("b", -60.0, -50.0)),
        18.0,
        None,
        "the largest boost of 18 dB",
    ),
    "the loudest inside the tolerance": (
        (member("a", -18.4, -9.0), member("b", -40.0, -20.0)),
        0.0,
        None,
        "its loudest member, a, is 0.4 dB under the average of -18 dBFS RMS (AES17), inside the tolerance of 1 dB.",
    ),
    "a quiet member inside it is no reason": (
        (member("a", -14.0, -9.0), member("b", -18.0, -12.0)),
        -4.0,
        None,
        "its loudest member, a, goes from -14.0",
    ),
    "inside it, a member over the ceiling": ((member("a", -18.0, -9.0), member("b", -30.0, -2.5)), -0.5, "b", "on b"),
    "less than a step": (
        (member("a", -18.04, -9.0, target=Target(tolerance_db=0.0)),),
        0.0,
        None,
        'Left as it is with the link "kit": its loudest member, a, lacks +0.04 dB to the',
    ),
    "rounded down to the step": (
        (member("a", -21.96, -9.0), member("b", -30.0, -20.0)),
        3.9,
        None,
        "from -22.0 to -18.1, within",
    ),
    "a tie is the target's": ((member("a", -24.0, -20.0), member("b", -30.0, -9.0)), 6.0, None, "goes from"),
    "a guard on an integer grid": (
        (
            member("a", -24.0, -20.0, target=Target(ceiling_dbtp=0.0)),
            member("b", -30.0, -1.0, guard=-0.01, target=Target(ceiling_dbtp=0.0)),
        ),
        0.9,
        "b",
        "on b stopped it",
    ),
}


@pytest.mark.parametrize(("members", "gain", "limited_by", "says"), CASES.values(), ids=CASES.keys())
def test_decisions(members: Sequence[LinkMember], gain: float, limited_by: str | None, says: str) -> None:
    """The gain, who held it, and the sentence (worked arithmetic)."""
    trim = decided(*members, target=members[0].target)
    assert (trim.gain_db, trim.limited_by_stem, trim.decided_by) == (gain, limited_by, DecidedBy.LINK)
    assert says in trim.because


def test_a_silent_member_follows() -> None:
    """Digital silence gets the same gain, has no level, limits nothing, and says that it follows."""
    silent = member("ride.wav", None, None)
    trim = decided(*KIT, silent)
    assert trim == decided(*KIT)
    found = member_trim(trim, silent, nothing)
    assert (found.gain_db, found.decided_by, found.link) == (6.0, DecidedBy.LINK, "kit")
    assert (found.measured_db, found.predicted_average_dbfs, found.predicted_true_peak_dbtp) == (None, None, None)
    assert found.because.endswith("It has no level of its own and follows.")


def test_a_member_under_the_gate_still_has_a_peak() -> None:
    """One click in a member that is otherwise too quiet to measure keeps its ceiling, and holds the group."""
    click = member("ride.wav", None, -4.0)
    trim = decided(*KIT, click)
    assert (trim.gain_db, trim.limited_by_stem) == (1.0, "ride.wav")


@pytest.mark.parametrize("members", [(), (member("a", None, None), member("b", None, -75.0))], ids=["none", "silent"])
def test_a_silent_link(members: Sequence[LinkMember]) -> None:
    """Where nothing sounds, nothing is done, and it is no link's decision but silence's."""
    trim = decided(*members)
    assert (trim.gain_db, trim.wanted_gain_db, trim.decided_by) == (0.0, None, DecidedBy.SILENT)
    assert trim.because == 'Left as it is: too quiet to measure, like all of the link "kit".'
    for each in members:
        assert member_trim(trim, each, nothing).because == trim.because


LOUDNESS = Target(rule="loudness", level_db=-18.0)


def test_a_member_without_the_figure_follows() -> None:
    """Of a pair under the rule of loudness, the one that is too short for it follows the other."""
    short = member("a", -10.0, -20.0, target=LOUDNESS, rule_figure=nothing)
    long = member("b", -24.0, -20.0, target=LOUDNESS, rule_figure=follows(-23.0))
    trim = decided(short, long, target=LOUDNESS)
    assert (trim.rule, trim.gain_db, trim.loudest) == ("loudness", 5.0, "b")
    assert "loudness of -18 LUFS" in trim.because
    assert member_trim(trim, short, follows(-10.0)).measured_db is None


def test_a_link_without_the_figure_goes_by_average() -> None:
    """Where no member has the figure, the average counts for all, and this is said."""
    short = [member(stem, -24.0, -20.0, target=LOUDNESS, rule_figure=nothing) for stem in ("a", "b")]
    trim = decided(*short, target=LOUDNESS)
    assert (trim.rule, trim.gain_db, trim.target) == ("average", 6.0, LOUDNESS)
    assert trim.because.endswith("No member has the figure of its rule, so the average counts.")
    assert "average of -18 dBFS" in trim.because
    assert member_trim(trim, short[0], follows(-24.0)).measured_db == -24.0


def test_members_measured_for_another_target_are_refused() -> None:
    """What was measured under another level would give another trim, and is no member's word."""
    with pytest.raises(ValueError, match="kit: expected members measured under its target, found others: a"):
        decide_link("kit", Target(level_db=-20.0), [member("a")])


def test_leave_is_no_rule_of_a_group() -> None:
    """A link that is left as it is has no trim to share."""
    with pytest.raises(ValueError, match="expected a rule that a group can share"):
        decide_link("kit", Target(rule="leave"), [])


def gated(*blocks_db: float) -> Callable[[float], float | None]:
    """A figure with a gate at -70: the power mean of the blocks that a gain lifts over it."""

    def figure(gain_db: float) -> float | None:
        lifted = [10 ** ((block + gain_db) / 10) for block in blocks_db if block + gain_db >= -70.0]
        return 10 * log10(sum(lifted) / len(lifted)) if lifted else None

    return figure


BLOCKS_DB = st.lists(st.floats(-90.0, -5.0), min_size=1, max_size=6)
TARGETS = st.builds(
    Target,
    level_db=st.floats(-30.0, -10.0),
    tolerance_db=st.floats(0.0, 3.0),
    ceiling_dbtp=st.floats(-12.0, 0.0),
    max_boost_db=st.floats(0.0, 40.0),
    step_db=st.sampled_from([0.001, 0.1, 0.5, 1.0]),
)


@settings(deadline=None, max_examples=200)
@given(blocks=BLOCKS_DB, crest=st.floats(0.0, 25.0), target=TARGETS, guard=st.one_of(st.none(), st.floats(-0.1, 0.0)))
def test_a_link_of_one_is_a_stem(blocks: list[float], crest: float, target: Target, guard: float | None) -> None:
    """A link with a single member decides to the bit as that stem alone would, gates, guard, tolerance and all."""
    figure, peak = gated(*blocks), max(blocks) + crest
    stem = levels(average_dbfs=figure(0.0), true_peak_dbtp=peak, sample_peak_dbfs=peak)
    alone = decide_trim(stem, target, figure, clip_guard_dbfs=guard)
    only = link_member("a", "sha", stem, target, {"average": figure}, clip_guard_dbfs=guard)
    found = member_trim(decide_link("kit", target, [only]), only, figure)
    assert (found.gain_db, found.wanted_gain_db) == (alone.gain_db, alone.wanted_gain_db)
    assert found.predicted_average_dbfs == alone.predicted_average_dbfs
    assert found.predicted_true_peak_dbtp == alone.predicted_true_peak_dbtp
    assert (found.limited_by_stem is None) is (alone.decided_by is not DecidedBy.CEILING)


@settings(deadline=None, max_examples=200)
@given(parts=st.lists(st.tuples(BLOCKS_DB, st.floats(0.0, 25.0)), min_size=1, max_size=6), target=TARGETS)
def test_promises_of_any_link(parts: list[tuple[list[float], float]], target: Target) -> None:
    """No member over the ceiling, none past the boost limit, whole steps; and the least of all limits, not less."""
    members, wanted = [], []
    for place, (blocks, crest) in enumerate(parts):
        figure, peak = gated(*blocks), max(blocks) + crest
        stem = levels(average_dbfs=figure(0.0), true_peak_dbtp=peak, sample_peak_dbfs=peak)
        members.append(link_member(f"{place}", "sha", stem, target, {"average": figure}))
        alone = decide_trim(stem, target.model_copy(update={"tolerance_db": 0.0}), figure)
        wanted += [alone.wanted_gain_db] * (alone.wanted_gain_db is not None)
    trim = decide_link("kit", target, members)
    peaks = [max(blocks) + crest for blocks, crest in parts]
    if not wanted:
        assert (trim.gain_db, trim.decided_by) == (0.0, DecidedBy.SILENT)
        return
    room = target.ceiling_dbtp - max(peaks)
    assert trim.gain_db <= room + 1e-6
    assert trim.gain_db <= target.max_boost_db + 1e-6
    if "inside the tolerance" not in trim.because:
        least = min(*wanted, room, target.max_boost_db)
        assert trim.gain_db == pytest.approx(floor(least / target.step_db + 1e-6) * target.step_db, abs=1e-9)


def test_members_keep_every_bit_as_json() -> None:
    """What a ledger keeps of a member gives the very same decision later, in another process."""
    third = member("a", -20.0 - 1 / 3, -11.0 - 1 / 7, guard=-1 / 9)
    kept = LinkMember.model_validate_json(third.model_dump_json())
    assert kept == third
    assert decided(kept) == decided(third)


def waiting(patterns: Sequence[str], *stems: str) -> list[tuple[Verdict, tuple[str, ...], dict[str, Any], str]]:
    found = link_incomplete("kit", patterns, stems)
    assert all(finding.code == "link_incomplete" for finding in found)
    return [(finding.verdict, finding.stems, dict(finding.measured), finding.says) for finding in found]


def test_a_pattern_without_a_stem() -> None:
    """Each pattern that means no stem yet is said, with the members that are there."""
    assert waiting(["kick*", "snare*", "oh_?.wav"], "kick.wav", "drums/OH_L.wav", "bass.wav") == [
        (
            Verdict.LISTEN,
            ("kick.wav", "drums/OH_L.wav"),
            {"link": "kit", "pattern": "snare*"},
            'The link "kit" is incomplete: snare* means no stem yet. Its trim is decided anew when more come.',
        )
    ]


def test_a_link_with_one_member() -> None:
    """A single member has nobody to keep its balance with, though every pattern means it."""
    ((verdict, stems, measured, says),) = waiting(["drums/*"], "drums/kick.wav", "bass.wav")
    assert (verdict, stems, measured) == (Verdict.LISTEN, ("drums/kick.wav",), {"link": "kit"})
    assert "drums/kick.wav is its only member" in says


def test_a_complete_link() -> None:
    """Where every pattern means a stem and two stems are there, nothing is missing."""
    assert waiting(["kick*", "snare*"], "kick.wav", "snare.wav") == []
    assert waiting(["drums/*"], "drums/kick.wav", "drums/snare.wav") == []
