"""Findings of damage and of silence, from levels and from what the meters of damage found. Pure."""

from collections.abc import Sequence

from stager.judge.places import clock
from stager.judge.tops import Topped, topped
from stager.model import DecidedBy, Finding, Levels, StreamInfo, TrimDecision, Verdict
from stager.model.damage import FlatTop, Gap, Gaps
from stager.model.damage_limits import DamageLimits
from stager.model.runs import RunSummary
from stager.units import db_from_linear

MOST_PLACES = 20
"""Places that a finding lists; all events are counted."""
SAME_LEVEL = 0.0001
"""Parts of a level by which two levels may differ and be one."""
COARSE_STEP = 2.0**-14
"""Two codes of 16 bits: where one value is held, nothing was dithered behind it, and a level is no wider."""
LIMITS = DamageLimits()


def clipped(tops: Sequence[FlatTop], info: StreamInfo, limits: DamageLimits = LIMITS) -> list[Finding]:
    """Find flat tops: `clipped` at full scale, `clipped_upstream` below it or, in float, above.

    A take that has them can't be repaired. Where they are square waves, few, or perhaps a limiter's, they are told with
    that reason and never ask for another take.
    """
    groups: dict[tuple[bool, bool, Verdict], list[Topped]] = {}
    for found in topped(tops, info.sample_rate_hz, limits):
        groups.setdefault((found.is_full_scale, found.is_square, found.verdict), []).append(found)
    return [_clipped(group, info) for group in groups.values()]


def clipped_below_overs(rails: RunSummary, info: StreamInfo, limits: DamageLimits = LIMITS) -> list[Finding]:
    """Find runs at exactly full scale in a float file that passes it elsewhere, from the runs of four and more."""
    if rails.total_frames < limits.clip_frames and rails.count < limits.clip_events:
        return []
    at = clock(rails.longest_start / info.sample_rate_hz)
    says = (
        f"Clipped {_times(rails.count)}, cut flat at full scale, worst at {at}: turn the input down and play it again."
    )
    return [_placed("clipped", Verdict.PLAY_AGAIN, rails, info, says)]


def over_full_scale(overs: RunSummary, info: StreamInfo, levels: Levels) -> list[Finding]:
    """Find float samples beyond full scale: still whole, and the trim brings them back."""
    if not overs.count:
        return []
    peak = levels.sample_peak_dbfs or 0.0
    says = f"Peaks reach {peak:+.1f} dBFS, over full scale; in a float file nothing is lost, but listen once."
    return [_placed("over_full_scale", Verdict.LISTEN, overs, info, says)]


def inter_sample_over(levels: Levels, limits: DamageLimits = LIMITS) -> list[Finding]:
    """Tell of a waveform that passes full scale between samples that do not: a fact, no fault of the take."""
    peak, highest = levels.true_peak_dbtp, levels.sample_peak_dbfs
    if peak is None or highest is None or highest > 0.0 or peak <= limits.inter_sample_over_dbtp:
        return []
    says = f"Between the samples the waveform reaches {peak:+.2f} dBTP, over full scale: nothing is lost in this file."
    measured: dict[str, float | str] = {"true_peak_dbtp": peak, "sample_peak_dbfs": highest}
    at_s = levels.true_peak_at_s
    places = () if at_s is None else (at_s,)
    return [
        Finding(
            code="inter_sample_over",
            verdict=Verdict.USABLE,
            channels=tuple(n + 1 for n, each in enumerate(levels.per_channel) if each.true_peak_dbtp == peak),
            at_s=places,
            worst_at_s=at_s,
            measured=measured,
            says=says,
        )
    ]


def dropout(gaps: Gaps, tops: Sequence[FlatTop], info: StreamInfo, limits: DamageLimits = LIMITS) -> list[Finding]:
    """Find sound that is missing: stretches of one value are sure, jumps are to be listened to."""
    return [*_held(gaps, topped(tops, info.sample_rate_hz, limits), info), *_jumps(gaps, info, limits)]


def silent(levels: Levels) -> list[Finding]:
    """Find stems without sound, or with none that rises above the gate."""
    if levels.average_dbfs is not None:
        return []
    peak, at_s = levels.sample_peak_dbfs, levels.sample_peak_at_s
    if peak is None:
        return [
            Finding(code="silent", verdict=Verdict.USABLE, says="Digital silence and nothing else: the right track?")
        ]
    says = f"Too quiet to measure: its highest peak is {peak:.1f} dBFS, and no sound rises above -70 dBFS."
    measured: dict[str, float | str] = {"sample_peak_dbfs": peak}
    return [Finding(code="silent", verdict=Verdict.USABLE, worst_at_s=at_s, measured=measured, says=says)]


def over_ceiling(levels: Levels, trim: TrimDecision) -> list[Finding]:
    """Find stems that are left as they are although they pass the ceiling."""
    peak, ceiling = levels.true_peak_dbtp, trim.target.ceiling_dbtp
    if trim.decided_by is not DecidedBy.LEAVE or peak is None or peak <= ceiling:
        return []
    says = f"Left as it is with a true peak of {peak:.1f} dBTP, over the ceiling of {ceiling:g} dBTP."
    measured: dict[str, float | str] = {"true_peak_dbtp": peak, "ceiling_dbtp": ceiling}
    at_s = levels.true_peak_at_s
    return [Finding(code="over_ceiling", verdict=Verdict.USABLE, worst_at_s=at_s, measured=measured, says=says)]


def corrupt(says: str, at_s: float | None) -> Finding:
    """Make the finding of a file whose samples or length are damaged."""
    places = () if at_s is None else (at_s,)
    return Finding(code="corrupt", verdict=Verdict.PLAY_AGAIN, at_s=places, worst_at_s=at_s, says=says)


def allowed(findings: Sequence[Finding], codes: frozenset[str]) -> tuple[Finding, ...]:
    """Give the findings with those that are deliberate here made usable."""
    return tuple(
        finding.model_copy(update={"verdict": Verdict.USABLE}) if finding.code in codes else finding
        for finding in findings
    )


def _clipped(group: Sequence[Topped], info: StreamInfo) -> Finding:
    tops = [top for found in group for top in found.tops]
    first, count = group[0], sum(top.events for top in tops)
    worst = max(tops, key=lambda top: (top.longest_frames, -top.longest_start))
    level = db_from_linear(worst.level_linear) or 0.0
    sides = {top.level_linear > 0.0 for top in tops}
    starts = sorted({start for top in tops for start in top.starts})[:MOST_PLACES]
    measured: dict[str, float | str] = {
        "level_dbfs": level + 0.0,
        "longest_frames": float(worst.longest_frames),
        "events": float(count),
        "polarity": "both" if len(sides) == 2 else "upper" if True in sides else "lower",
    }
    return Finding(
        code="clipped" if first.is_full_scale else "clipped_upstream",
        verdict=first.verdict,
        channels=tuple(sorted({top.channel + 1 for top in tops})),
        count=count,
        total_s=sum(top.frames for top in tops) / info.sample_rate_hz,
        at_s=tuple(start / info.sample_rate_hz for start in starts),
        worst_at_s=worst.longest_start / info.sample_rate_hz,
        measured=measured,
        says=_tops_sentence(first, count, level, clock(worst.longest_start / info.sample_rate_hz)),
    )


def _tops_sentence(found: Topped, count: int, level_dbfs: float, at: str) -> str:
    where = "full scale" if found.is_full_scale else f"{level_dbfs:.1f} dBFS"
    if found.is_square:
        return f"Flat at {where}, first near {at}, but so is each cycle by its nature: square waves look like this."
    if found.verdict is Verdict.PLAY_AGAIN and found.is_full_scale:
        return f"Clipped {_times(count)}, cut flat at full scale, worst at {at}: turn the input down and play it again."
    if found.verdict is Verdict.PLAY_AGAIN:
        return (
            f"Cut flat {_times(count)} at {where}, worst at {at}: it clipped on its way here, in a preamp or an "
            "earlier export; turn that down and play it again."
        )
    if found.is_sharp:
        return f"Peaks end {_times(count)} at exactly {where}, as clipping or a limiter leaves them: listen at {at}."
    return f"Touches {where} {_times(count)}, flat for a moment at {at}: too little to be sure, listen there."


def _held(gaps: Gaps, clipped_tops: Sequence[Topped], info: StreamInfo) -> list[Finding]:
    tops = [top for found in clipped_tops for top in found.tops]
    held = [gap for gap in gaps.held if not any(_rests_at(gap, top) for top in tops)]
    if not held:
        return []
    whole = len(held) == len(gaps.held)
    count = gaps.held_count if whole else len(held)
    frames = gaps.held_frames if whole else sum(gap.frames for gap in held)
    listed = max(held, key=lambda gap: (gap.frames, -gap.start))
    worst = gaps.longest if whole and gaps.longest else listed
    at, ms = clock(worst.start / info.sample_rate_hz), 1000.0 * worst.frames / info.sample_rate_hz
    kind = "zero" if worst.value_linear == 0.0 else "one held value"
    says = f"Sound is missing {_times(count)}, {kind} for {ms:.1f} ms at {at}, in the middle of sound: play it again."
    measured: dict[str, float | str] = {"longest_frames": float(worst.frames), "value_linear": worst.value_linear}
    return [_missing(Verdict.PLAY_AGAIN, held, worst, (count, frames), info, measured, says)]


def _jumps(gaps: Gaps, info: StreamInfo, limits: DamageLimits) -> list[Finding]:
    if not 0 < gaps.jump_count <= limits.dropout_most_jumps:
        return []
    worst = max(gaps.jumps, key=lambda gap: (gap.value_linear, -gap.start))
    at = clock(worst.start / info.sample_rate_hz)
    says = (
        f"The waveform jumps {_times(gaps.jump_count)}, worst at {at}, as where samples were lost or cut: listen there."
    )
    measured: dict[str, float | str] = {"jump_linear": worst.value_linear}
    return [_missing(Verdict.LISTEN, gaps.jumps, worst, (gaps.jump_count, 0), info, measured, says)]


def _missing(
    verdict: Verdict,
    places: Sequence[Gap],
    worst: Gap,
    totals: tuple[int, int],
    info: StreamInfo,
    measured: dict[str, float | str],
    says: str,
) -> Finding:
    return Finding(
        code="dropout",
        verdict=verdict,
        channels=tuple(sorted({gap.channel + 1 for gap in places})),
        count=totals[0],
        total_s=totals[1] / info.sample_rate_hz,
        at_s=tuple(gap.start / info.sample_rate_hz for gap in places),
        worst_at_s=worst.start / info.sample_rate_hz,
        measured=measured,
        says=says,
    )


def _rests_at(gap: Gap, top: FlatTop) -> bool:
    """Whether a held stretch lies at the level of tops that were cut."""
    near = max(SAME_LEVEL * abs(top.level_linear), min(top.tolerance_linear, COARSE_STEP))
    return abs(gap.value_linear - top.level_linear) <= near


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _placed(code: str, verdict: Verdict, runs: RunSummary, info: StreamInfo, says: str) -> Finding:
    return Finding(
        code=code,
        verdict=verdict,
        channels=tuple(channel + 1 for channel in runs.channels),
        count=runs.count,
        total_s=runs.total_frames / info.sample_rate_hz,
        at_s=tuple(start / info.sample_rate_hz for start in runs.starts),
        worst_at_s=runs.longest_start / info.sample_rate_hz,
        measured={"longest_frames": float(runs.longest_frames)},
        says=says,
    )
