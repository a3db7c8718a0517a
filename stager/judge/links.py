"""One trim for stems that belong together, so that the balance between them stays. Pure.

The rule. Every member is measured under the link's own target; roles give name and pan, not level. A member wants the
gain that brings its own figure to the level, solved with the gates as they will stand. The group wants the smallest of
these: the gain at which its loudest member reaches the level. It may have the smallest of that, the boost limit, and
what the true peak of each member leaves under the ceiling, rounded down to whole steps. Where the loudest member lies
inside the tolerance and no member is over the ceiling, the gain is 0. Members without a figure follow. Where no member
has the figure of the target's rule, the average counts, as for a single stem.

What a member brings is a handful of numbers, so that members may be measured at different times; together they give
the very decision that one process would take.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import floor

from stager.judge.because import figure_name, reason, rendered
from stager.judge.trim import GRACE_STEPS, FigureAfter, decide_trim
from stager.model import DecidedBy, Levels, Reason, ReasonCode, Target, TrimDecision, Verdict
from stager.model.base import Record
from stager.model.handover import SetFinding
from stager.model.words import ANY_WORDS
from stager.project.patterns import matches, matches_any


class Wanted(Record):
    """What one rule reads of a member, and the gain that would bring it to the target's level, both in dB."""

    measured_db: float
    gain_db: float


class LinkMember(Record):
    """One stem of a link as the decision sees it; valid for this source under this target, and storable as JSON.

    `by_rule` and `by_average` are None where there is no such figure. `peak_allows_db` is the largest gain at which its
    true peak keeps the ceiling, `guard_allows_db` the largest at which dither can't push a sample over the top of an
    integer grid; None where it is digital silence, or where no guard is needed.
    """

    stem: str
    source_sha256: str
    role: str | None = None
    target: Target
    by_rule: Wanted | None
    by_average: Wanted | None
    true_peak_dbtp: float | None
    peak_allows_db: float | None
    guard_allows_db: float | None = None


class LinkTrim(Record):
    """The trim of a whole link; `rule` is the one that counted, `loudest` the member that reaches the level first."""

    link: str
    target: Target
    rule: str
    gain_db: float
    wanted_gain_db: float | None
    decided_by: DecidedBy
    loudest: str | None
    limited_by_stem: str | None
    reasons: tuple[Reason, ...] = ()

    @property
    def because(self) -> str:
        """The sentences that say why."""
        return rendered(self.reasons)

    def is_same(self, other: "LinkTrim") -> bool:
        """Return whether the members' copies would be the same; how that is explained makes no difference."""
        return self.model_copy(update={"reasons": ()}) == other.model_copy(update={"reasons": ()})


def stored_link_trim(text: str) -> LinkTrim | None:
    """Return the decision that was stored as JSON, by this version or an earlier one; None where it is none."""
    try:
        return LinkTrim.model_validate_json(text, extra="ignore", context=ANY_WORDS)
    except ValueError:
        return None


def link_member(
    stem: str,
    source_sha256: str,
    levels: Levels,
    target: Target,
    figures: Mapping[str, FigureAfter],
    *,
    clip_guard_dbfs: float | None = None,
    role: str | None = None,
) -> LinkMember:
    """Return what one measured stem brings to its link; `target` is the link's.

    `figures` has the target rule's figure and the average after a gain, `clip_guard_dbfs` is as for `decide_trim`.
    """
    peak = levels.true_peak_dbtp
    guarded = clip_guard_dbfs is not None and levels.sample_peak_dbfs is not None
    return LinkMember(
        stem=stem,
        source_sha256=source_sha256,
        role=role,
        target=target,
        by_rule=_wanted(levels, target, figures[target.rule]),
        by_average=_wanted(levels, target, figures["average"]),
        true_peak_dbtp=peak,
        peak_allows_db=None if peak is None else target.ceiling_dbtp - peak,
        guard_allows_db=(clip_guard_dbfs or 0.0) - (levels.sample_peak_dbfs or 0.0) if guarded else None,
    )


def decide_link(link: str, target: Target, members: Sequence[LinkMember]) -> LinkTrim:
    """Return the one trim that all members of a link share.

    The target's rule decides where any member has a figure for it, else their average.

    Raises:
        ValueError: where a member was measured for another target, or the rule is `leave`.
    """
    if target.rule == "leave":
        raise ValueError(f"{link}: expected a rule that a group can share, found leave")
    strangers = [member.stem for member in members if member.target != target]
    if strangers:
        raise ValueError(f"{link}: expected members measured under its target, found others: {', '.join(strangers)}")
    rule = target.rule if any(member.by_rule for member in members) else "average"
    group = _Group(link, target.model_copy(update={"rule": rule}), members, rule == target.rule)
    return group.decided().model_copy(update={"target": target})


def member_trim(trim: LinkTrim, member: LinkMember, average_after: FigureAfter) -> TrimDecision:
    """Return one member's decision; `average_after` is its average after a gain, in the target's reference."""
    wanted = member.by_rule if trim.rule == trim.target.rule else member.by_average
    follows = wanted is None and trim.decided_by is DecidedBy.LINK
    reasons = (*trim.reasons, *([reason(ReasonCode.LINK_FOLLOWS)] if follows else []))
    return TrimDecision(
        gain_db=trim.gain_db,
        wanted_gain_db=trim.wanted_gain_db,
        decided_by=trim.decided_by,
        because=rendered(reasons),
        reasons=reasons,
        role=member.role,
        link=trim.link,
        limited_by_stem=trim.limited_by_stem,
        target=trim.target,
        measured_db=wanted.measured_db if wanted else None,
        ceiling_allows_db=member.peak_allows_db,
        boost_allows_db=trim.target.max_boost_db,
        predicted_average_dbfs=average_after(trim.gain_db),
        predicted_true_peak_dbtp=None if member.true_peak_dbtp is None else member.true_peak_dbtp + trim.gain_db,
        restore_fader_db=0.0 - trim.gain_db,
    )


def link_incomplete(link: str, patterns: Sequence[str], stems: Sequence[str]) -> list[SetFinding]:
    """Find what a link still waits for: each pattern that means no stem yet, or a second member.

    `stems` are its members in the inbox: those whose first link it is. A stem that comes later decides for the group
    anew.
    """
    members = tuple(stem for stem in stems if matches_any(stem, patterns))
    waiting = [pattern for pattern in patterns if not any(matches(stem, pattern) for stem in stems)]
    findings = [_incomplete(link, members, f"{pattern} means no stem yet", {"pattern": pattern}) for pattern in waiting]
    if not waiting and len(members) < 2:
        findings.append(_incomplete(link, members, f"{''.join(members)} is its only member", {}))
    return findings


def _incomplete(link: str, members: tuple[str, ...], what: str, measured: dict[str, str]) -> SetFinding:
    says = f'The link "{link}" is incomplete: {what}. Its trim is decided anew when more come.'
    return SetFinding(
        code="link_incomplete", verdict=Verdict.LISTEN, stems=members, measured={"link": link, **measured}, says=says
    )


def _wanted(levels: Levels, target: Target, figure_after: FigureAfter) -> Wanted | None:
    """Ask what a stem alone would want; without tolerance, since that is the group's."""
    alone = decide_trim(levels, target.model_copy(update={"tolerance_db": 0.0}), figure_after)
    if alone.measured_db is None or alone.wanted_gain_db is None:
        return None
    return Wanted(measured_db=alone.measured_db, gain_db=alone.wanted_gain_db)


@dataclass(frozen=True)
class _Group:
    """The members of a link under the rule that counts for them; `asked`: it is the one its target names."""

    link: str
    target: Target
    members: Sequence[LinkMember]
    asked: bool

    def decided(self) -> LinkTrim:
        """Decide; the target is the one with the rule that counted."""
        levels = {member.stem: found for member in self.members if (found := self._wanted_of(member))}
        if not levels:
            return self._trim(0.0, None, reason(ReasonCode.LINK_SILENT, link=self.link))
        as_it_is = max(levels, key=lambda stem: levels[stem].measured_db)
        measured = levels[as_it_is].measured_db
        room = min((member.peak_allows_db for member in self.members if member.peak_allows_db is not None), default=0.0)
        if abs(self.target.level_db - measured) <= self.target.tolerance_db and room >= 0.0:
            return self._trim(0.0, 0.0, self._tolerance(as_it_is, measured), loudest=as_it_is)
        first = min(levels, key=lambda stem: levels[stem].gain_db)
        return self._limited(first, levels[first])

    def _limited(self, first: str, wanted: Wanted) -> LinkTrim:
        """Take the smallest that the target, each member's peak and the boost limit allow, in whole steps."""
        peaks = {member.stem: self._steps(room) for member in self.members if (room := _room_db(member)) is not None}
        tightest = min(peaks, key=peaks.__getitem__)
        wants, may = self._steps(wanted.gain_db), self._steps(self.target.max_boost_db)
        steps = min(wants, peaks[tightest], may)
        gain = round(steps * self.target.step_db, 9) + 0.0
        limited_by = tightest if peaks[tightest] == steps < wants else None
        says = self._reason(gain, first, wanted, limited_by, stopped=steps < wants)
        return self._trim(gain, wanted.gain_db, says, loudest=first, limited_by=limited_by)

    def _reason(self, gain: float, first: str, wanted: Wanted, limited_by: str | None, *, stopped: bool) -> Reason:
        who, level, wanted_db = {"link": self.link, "loudest": first}, figure_name(self.target), wanted.gain_db
        if not stopped and gain == 0.0:
            return reason(ReasonCode.LINK_UNDER_ONE_STEP, **who, wanted_db=wanted_db, level=level)
        if not stopped:
            aim = {"level": level, "level_db": self.target.level_db, "step_db": self.target.step_db}
            moves = {"gain_db": gain, "wanted_db": wanted_db, "measured_db": wanted.measured_db}
            return reason(ReasonCode.LINK_TARGET, **who, **moves, **aim)
        if limited_by:
            peak = next(member.true_peak_dbtp for member in self.members if member.stem == limited_by)
            stop = {"ceiling_dbtp": self.target.ceiling_dbtp, "limited": limited_by, "true_peak_dbtp": peak}
            return reason(ReasonCode.LINK_CEILING, **who, gain_db=gain, wanted_db=wanted_db, **stop)
        boost_db = self.target.max_boost_db
        return reason(ReasonCode.LINK_BOOST_LIMIT, **who, gain_db=gain, wanted_db=wanted_db, boost_db=boost_db)

    def _tolerance(self, loudest: str, measured: float) -> Reason:
        off_db, level, tolerance_db = (
            measured - self.target.level_db,
            figure_name(self.target),
            self.target.tolerance_db,
        )
        who = {"link": self.link, "loudest": loudest}
        return reason(ReasonCode.LINK_TOLERANCE, **who, off_db=off_db, level=level, tolerance_db=tolerance_db)

    def _trim(
        self,
        gain: float,
        wanted: float | None,
        why: Reason,
        *,
        loudest: str | None = None,
        limited_by: str | None = None,
    ) -> LinkTrim:
        fallback = [] if self.asked or loudest is None else [reason(ReasonCode.LINK_FALLBACK)]
        return LinkTrim(
            link=self.link,
            target=self.target,
            rule=self.target.rule,
            gain_db=gain,
            wanted_gain_db=wanted,
            decided_by=DecidedBy.SILENT if loudest is None else DecidedBy.LINK,
            loudest=loudest,
            limited_by_stem=limited_by,
            reasons=(why, *fallback),
        )

    def _wanted_of(self, member: LinkMember) -> Wanted | None:
        return member.by_rule if self.asked else member.by_average

    def _steps(self, gain_db: float) -> int:
        return floor(gain_db / self.target.step_db + GRACE_STEPS)


def _room_db(member: LinkMember) -> float | None:
    """The largest gain that a member's own peaks allow."""
    limits = [limit for limit in (member.peak_allows_db, member.guard_allows_db) if limit is not None]
    return min(limits, default=None)
