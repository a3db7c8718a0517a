"""Findings about a stem from its levels and the runs that were found in it. Pure."""

from collections.abc import Sequence

from stager.model import DecidedBy, Finding, Levels, StreamInfo, TrimDecision, Verdict
from stager.model.runs import RunSummary


def clipped(rails: RunSummary, info: StreamInfo) -> list[Finding]:
    """Find flat tops at full scale: a take that has them can't be repaired."""
    if not rails.count:
        return []
    times = "once" if rails.count == 1 else f"{rails.count} times"
    at = _clock(rails.longest_start / info.sample_rate_hz)
    says = f"Clipped {times}, cut flat at full scale, worst at {at}: turn the input down and play it again."
    return [_placed("clipped", Verdict.PLAY_AGAIN, rails, info, says)]


def over_full_scale(overs: RunSummary, info: StreamInfo, levels: Levels) -> list[Finding]:
    """Find float samples beyond full scale: still whole, and the trim brings them back."""
    if not overs.count:
        return []
    peak = levels.sample_peak_dbfs or 0.0
    says = f"Peaks reach {peak:+.1f} dBFS, over full scale; in a float file nothing is lost, but listen once."
    return [_placed("over_full_scale", Verdict.LISTEN, overs, info, says)]


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


def _clock(seconds: float) -> str:
    """A place in time as a person reads it: minutes and seconds."""
    return f"{int(seconds // 60)}:{seconds % 60:04.1f}"
