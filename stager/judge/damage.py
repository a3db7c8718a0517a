"""Findings of damage and of silence: what the detectors of damage found, judged and worded. Pure."""

from collections.abc import Sequence

from stager.judge.plateaus import ClippedChannel, clipped_channels
from stager.judge.sentences import clock, times
from stager.model import Finding, Levels, StreamInfo, Verdict
from stager.model.damage import FlatTop, Gap, Gaps
from stager.model.limits import DamageLimits
from stager.model.run_summary import RunSummary
from stager.units import db_from_linear

MOST_PLACES = 20
"""Positions in time that a finding lists; all events are counted."""
SAME_LEVEL = 0.0001
"""Relative tolerance within which two levels count as equal."""
COARSE_STEP = 2.0**-14
"""Two codes of 16 bits: where one value is held, nothing was dithered after it, so a level is no wider than this."""
JUST_UNDER_FULL_SCALE_DBFS = -0.3
"""Level from which flat tops are called just under full scale (own figure)."""
HUM_ALONE_DB = 1.0
"""Where hum lies so near the average, or over it, there is nothing in a take but hum (own figure)."""
ONE_PLACE = 64
"""Frames within which what two channels or two detectors found is one event."""
LIMITS = DamageLimits()
STEM_ADVICE = "Look at its take: if that is clean, bounce it again, lower; if it is clipped too, record it again."
"""What to do about a clipped stem: whether the take or the bounce clipped can't be seen in the stem."""


def clipped(
    tops: Sequence[FlatTop],
    info: StreamInfo,
    limits: DamageLimits = LIMITS,
    *,
    level_steps: Sequence[float] = (),
    is_take: bool = False,
) -> list[Finding]:
    """Return the findings of flat tops: `clipped` at full scale, `clipped_upstream` below it or, in float, above.

    What is clipped can't be repaired. Where the tops are square waves, few, or perhaps a limiter's, the finding says so
    and never asks for another take, nor on the coarse levels of sound once stored with few bits, whose distances
    `level_steps` has by channel. `is_take`: the advice is about the input, else about the take or the bounce.
    """
    groups: dict[tuple[bool, bool, Verdict], list[ClippedChannel]] = {}
    for found in clipped_channels(tops, info.sample_rate_hz, limits, level_steps):
        groups.setdefault((found.is_full_scale, found.is_square, found.verdict), []).append(found)
    return [_clipped(group, info, is_take=is_take) for group in groups.values()]


def clipped_below_overs(
    rails: RunSummary, info: StreamInfo, limits: DamageLimits = LIMITS, *, is_take: bool = False
) -> list[Finding]:
    """Return the finding of runs at exactly full scale in a float file that passes it elsewhere, by runs of four up."""
    if rails.total_frames < limits.clip_frames and rails.count < limits.clip_events:
        return []
    at = clock(rails.longest_start / info.sample_rate_hz)
    says = _clipped_sentence(rails.count, at, is_take=is_take)
    return [_placed("clipped", Verdict.PLAY_AGAIN, rails, info, says)]


def over_full_scale(overs: RunSummary, info: StreamInfo, levels: Levels, *, is_flat: bool = False) -> list[Finding]:
    """Return the finding of float samples beyond full scale, which the trim brings back.

    `is_flat`: the samples show flat tops, so that earlier clipping can't be excluded.
    """
    if not overs.count:
        return []
    peak = levels.sample_peak_dbfs or 0.0
    lost = "earlier clipping can't be excluded" if is_flat else "in a float file nothing is lost"
    says = f"Peaks reach {peak:+.1f} dBFS, over full scale; {lost}: listen once."
    return [_placed("over_full_scale", Verdict.LISTEN, overs, info, says)]


def inter_sample_over(levels: Levels, limits: DamageLimits = LIMITS) -> list[Finding]:
    """Return the finding of a waveform that passes full scale between samples that do not: a fact, no fault."""
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


def dropout(
    gaps: Gaps,
    tops: Sequence[FlatTop],
    info: StreamInfo,
    limits: DamageLimits = LIMITS,
    *,
    level_steps: Sequence[float] = (),
    is_take: bool = False,
) -> list[Finding]:
    """Return the findings of missing sound: stretches of one value are certain, all else is to be listened to."""
    channels = clipped_channels(tops, info.sample_rate_hz, limits)
    tops = [top for found in channels for top in found.tops]
    steps = dict(enumerate(level_steps))
    held = [
        gap
        for gap in gaps.held
        if gap.frames >= limits.dropout_least_s * info.sample_rate_hz
        and gap.edge_linear >= limits.dropout_edge_steps * steps.get(gap.channel, 0.0)
        and not any(_is_at_level(gap, top) for top in tops)
    ]
    return [
        *_held(gaps, held, info, is_take=is_take),
        *_repeated(gaps.repeats, info),
        *_jumps(gaps, info, limits),
    ]


def silent(levels: Levels) -> list[Finding]:
    """Return the finding of a stem without sound, or with none that rises above the gate."""
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


def nothing_recorded(levels: Levels) -> list[Finding]:
    """Return the finding of a take in which nothing plays: silence, noise under the gate, or hum alone."""
    average, hum = levels.average_dbfs, levels.hum_dbfs
    is_hum = average is not None and hum is not None and hum >= average - HUM_ALONE_DB
    if average is not None and not is_hum:
        return []
    peak = levels.sample_peak_dbfs
    what = "digital silence" if peak is None else f"its highest peak is {peak:.0f} dBFS"
    what = "only hum is there" if is_hum else what
    says = f"Nothing was recorded ({what}): is the right input armed?"
    measured: dict[str, float | str] = {} if peak is None else {"sample_peak_dbfs": peak}
    return [Finding(code="nothing_recorded", verdict=Verdict.PLAY_AGAIN, measured=measured, says=says)]


def corrupt(says: str, at_s: float | None) -> Finding:
    """Return the finding of a file whose samples or length are damaged."""
    places = () if at_s is None else (at_s,)
    return Finding(code="corrupt", verdict=Verdict.PLAY_AGAIN, at_s=places, worst_at_s=at_s, says=says)


def allowed(findings: Sequence[Finding], codes: frozenset[str]) -> tuple[Finding, ...]:
    """Return the findings; those whose codes are deliberate here are usable."""
    return tuple(
        finding.model_copy(update={"verdict": Verdict.USABLE}) if finding.code in codes else finding
        for finding in findings
    )


def _clipped(group: Sequence[ClippedChannel], info: StreamInfo, *, is_take: bool) -> Finding:
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
        says=_tops_sentence(first, count, level, clock(worst.longest_start / info.sample_rate_hz), is_take=is_take),
    )


def _tops_sentence(found: ClippedChannel, count: int, level_dbfs: float, at: str, *, is_take: bool) -> str:
    where = "full scale" if found.is_full_scale else f"{level_dbfs:.1f} dBFS"
    if found.is_square:
        return f"Flat at {where}, first near {at}, but so is each cycle by its nature: square waves look like this."
    if found.verdict is Verdict.PLAY_AGAIN and found.is_full_scale:
        return _clipped_sentence(count, at, is_take=is_take)
    if found.verdict is Verdict.PLAY_AGAIN:
        return _upstream_sentence(count, level_dbfs, at, is_take=is_take)
    if found.is_sharp:
        return f"Peaks end {times(count)} at exactly {where}, as clipping or a limiter leaves them: listen at {at}."
    return f"Touches {where} {times(count)}, flat for a moment at {at}: too little to be sure, listen there."


def _clipped_sentence(count: int, at: str, *, is_take: bool) -> str:
    if is_take:
        return f"Clipped {times(count)}, worst at {at}: turn the input down and play it again."
    return f"Clipped {times(count)}, worst at {at}. {STEM_ADVICE}"


def _upstream_sentence(count: int, level_dbfs: float, at: str, *, is_take: bool) -> str:
    under = "just under full scale" if JUST_UNDER_FULL_SCALE_DBFS <= level_dbfs < 0.0 else f"at {level_dbfs:.1f} dBFS"
    clipped = f"Clipped {times(count)} {under}, before this file was made, worst at {at}"
    if is_take:
        return f"{clipped}: something ahead of the recorder clips; turn that down and play it again."
    return f"{clipped}. {STEM_ADVICE}"


def _held(gaps: Gaps, held: Sequence[Gap], info: StreamInfo, *, is_take: bool) -> list[Finding]:
    if not held:
        return []
    whole = len(held) == len(gaps.held)
    count = gaps.held_count if whole else len(held)
    frames = gaps.held_frames if whole else sum(gap.frames for gap in held)
    listed = max(held, key=lambda gap: (gap.frames, -gap.start))
    worst = gaps.longest if whole and gaps.longest else listed
    at, ms = clock(worst.start / info.sample_rate_hz), 1000.0 * worst.frames / info.sample_rate_hz
    kind = "zero" if worst.value_linear == 0.0 else "one held value"
    again = (
        "Play it again."
        if is_take
        else "Look at its take: if that is whole, bounce it again; if it has the gap too, record it again."
    )
    says = f"Sound is missing {times(count)}, {kind} for {ms:.1f} ms at {at}, in the middle of sound. {again}"
    measured: dict[str, float | str] = {"longest_frames": float(worst.frames), "value_linear": worst.value_linear}
    return [_missing(Verdict.PLAY_AGAIN, held, worst, (count, frames), info, measured, says)]


def _repeated(repeats: Sequence[Gap], info: StreamInfo) -> list[Finding]:
    if not repeats:
        return []
    worst, count = max(repeats, key=lambda gap: (gap.frames, -gap.start)), len(_places(repeats))
    at = clock(worst.start / info.sample_rate_hz)
    says = f"{worst.frames} samples come twice, {times(count)}, at {at}: a computer hiccup. Listen there."
    measured: dict[str, float | str] = {"repeated_frames": float(worst.frames)}
    return [_missing(Verdict.LISTEN, repeats, worst, (count, 0), info, measured, says)]


def _jumps(gaps: Gaps, info: StreamInfo, limits: DamageLimits) -> list[Finding]:
    """Return the finding of jumps, where they are few; the join of a repeated buffer is none of its own."""
    ends = [end for gap in gaps.repeats for end in (gap.start, gap.start + gap.frames)]
    jumps = [gap for gap in gaps.jumps if all(abs(gap.start - end) > ONE_PLACE for end in ends)]
    count = gaps.jump_count - len(gaps.jumps) + len(jumps)
    if not jumps or not 0 < gaps.jump_count <= limits.dropout_most_jumps:
        return []
    worst = max(jumps, key=lambda gap: (gap.value_linear, -gap.start))
    at = clock(worst.start / info.sample_rate_hz)
    clicks = "Click at" if count == 1 else f"{count} clicks, the worst at"
    says = f"{clicks} {at}: a bad edit or a computer hiccup. Listen there."
    measured: dict[str, float | str] = {"jump_linear": worst.value_linear}
    return [_missing(Verdict.LISTEN, jumps, worst, (count, 0), info, measured, says)]


def _places(gaps: Sequence[Gap]) -> list[int]:
    """Return where these begin, those of several channels at one place once."""
    places: list[int] = []
    for gap in sorted(gaps, key=_start):
        if not places or gap.start - places[-1] > ONE_PLACE:
            places.append(gap.start)
    return places


def _start(gap: Gap) -> int:
    return gap.start


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


def _is_at_level(gap: Gap, top: FlatTop) -> bool:
    """Return whether a held stretch lies at the level of tops that were cut."""
    near = max(SAME_LEVEL * abs(top.level_linear), min(top.tolerance_linear, COARSE_STEP))
    return abs(gap.value_linear - top.level_linear) <= near


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
