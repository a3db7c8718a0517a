"""A finished mix: what its figures mean before it is sent, and what to do. Pure."""

from collections.abc import Sequence
from typing import Final

from stager.judge.sentences import clock
from stager.model import Finding, Levels, Verdict
from stager.model.mix import (
    BandFigure,
    CodedPeak,
    DeliveryResult,
    DeliveryTarget,
    EndsFigure,
    MixAdvice,
    MixFigures,
    SidesFigure,
)

TD1008: Final = "AES TD1008 (2021), as the trade press reports it"
R128: Final = "EBU R 128"
PUBLISHED: Final = (
    DeliveryTarget(name="streaming, track by track", source=TD1008, loudness_lufs=-16.0, true_peak_dbtp=-1.0),
    DeliveryTarget(name="streaming, loudest of an album", source=TD1008, loudness_lufs=-14.0, true_peak_dbtp=-1.0),
    DeliveryTarget(name="European broadcast", source=R128, loudness_lufs=-23.0, true_peak_dbtp=-1.0),
)
"""Published delivery values. A service turns a louder mix down by itself; only the peak needs the mixer's hand."""

SILENCE_BEFORE_S: Final = 0.5
SILENCE_AFTER_S: Final = 5.0
CUT_START_DBFS: Final = -40.0
CUT_END_LISTEN_DBFS: Final = -50.0
CUT_END_DBFS: Final = -30.0
REST_DBFS: Final = (-75.0, -40.0)
REST_SPREAD_DB: Final = 4.0
REST_UNDER_DB: Final = 20.0
DC_LINEAR: Final = 0.003
MONO_LOSS_DB: Final = -6.0
MONO_SHARE: Final = 0.05
LOWEST_CORRELATION: Final = -0.3
"""Limits of the ends and of mono (own figures: a faded, centred mix passes them, an audible fault does not)."""
LIMITED_CODES: Final = frozenset({"clipped_upstream", "inter_sample_over", "clipped_before_coding"})
"""What a limiter that was set on purpose leaves behind: facts about a mix, faults of a take."""
NOT_OF_A_MIX: Final = frozenset({"silent", "padded_bits", "noise_raised", "side_imbalance", "mono_loss", "one_sided"})
"""Findings of one stem that say nothing about a mix, or that this file judges in its own way."""


def delivery(levels: Levels, targets: Sequence[DeliveryTarget]) -> tuple[DeliveryResult, ...]:
    """Return the mix beside each target; positive where it is over it."""
    return tuple(
        DeliveryResult(
            target=target,
            loudness_over_lu=_difference(levels.loudness_lufs, target.loudness_lufs),
            true_peak_over_db=_difference(levels.true_peak_dbtp, target.true_peak_dbtp),
        )
        for target in targets
    )


def mix_findings(
    figures: MixFigures, levels: Levels, own: Sequence[Finding], true_peak_dbtp: float
) -> tuple[Finding, ...]:
    """Return the findings of a mix; `own` are those that every file gets, here in the words for a mix."""
    return (
        *_peaks(figures.coded, levels, true_peak_dbtp),
        *(reworded for finding in own if (reworded := _of_a_mix(finding)) is not None),
        *_ends(figures.ends, levels),
        *(_sides(figures.sides) if figures.sides else ()),
        *_mono(figures.bands),
    )


def mix_advice(levels: Levels, coded: Sequence[CodedPeak], true_peak_dbtp: float) -> MixAdvice:
    """Return how much lower the mix must be bounced so that its true peak holds, as it is and after lossy coding."""
    excess = max(0.0, (levels.true_peak_dbtp or true_peak_dbtp) - true_peak_dbtp)
    needed = max([_up(excess), *(each.lower_db for each in coded)])
    loudness = levels.loudness_lufs
    if needed == 0.0:
        says = f"Peaks hold: at most {true_peak_dbtp:g} dBTP, as it is and after lossy coding."
        if levels.true_peak_dbtp is None:
            says = "Nothing to lower: the file is silent."
        return MixAdvice(change_db=0.0, loudness_after_lufs=loudness, says=says)
    worst = max(coded, key=lambda each: each.lower_db, default=None)
    reason = f"after {worst.codec} its peaks" if worst and worst.lower_db > _up(excess) else "its peaks"
    after = None if loudness is None else loudness - needed
    cost = "" if after is None else f" It then measures {after:.1f} LUFS; services that level loudness hide the change."
    does = f"Lower the mix by {needed:.1f} dB, behind the last limiter, and bounce it again"
    says = f"{does}: {reason} pass {true_peak_dbtp:g} dBTP.{cost}"
    return MixAdvice(change_db=-needed, loudness_after_lufs=after, says=says)


def _peaks(coded: Sequence[CodedPeak], levels: Levels, true_peak_dbtp: float) -> list[Finding]:
    """What passes the true peak that is allowed: the mix itself, and what decoders make of it."""
    found, peak = [], levels.true_peak_dbtp
    if peak is not None and peak > true_peak_dbtp:
        says = f"Its true peak is {peak:.2f} dBTP, over the {true_peak_dbtp:g} that delivery allows."
        found.append(_finding("peak_over_delivery", Verdict.LISTEN, says, levels.true_peak_at_s, true_peak_dbtp=peak))
    highest = max(coded, key=lambda each: each.true_peak_dbtp or -300.0, default=None)
    if highest and highest.true_peak_dbtp is not None and highest.true_peak_dbtp > true_peak_dbtp:
        after = highest.true_peak_dbtp
        says = f"After {highest.codec} its true peak is {after:.2f} dBTP, over the {true_peak_dbtp:g} that is allowed."
        found.append(_finding("coded_peak_over", Verdict.LISTEN, says, true_peak_dbtp=after, codec=highest.codec))
    return found


def _of_a_mix(finding: Finding) -> Finding | None:
    if finding.code in NOT_OF_A_MIX:
        return None
    if finding.code == "dual_mono":
        says = "Left and right are the same. If the mix is meant to be stereo, bounce it again."
        return finding.model_copy(update={"verdict": Verdict.LISTEN, "says": says})
    if finding.code in LIMITED_CODES:
        return finding.model_copy(update={"verdict": Verdict.USABLE, "says": _limited(finding)})
    if finding.verdict is Verdict.PLAY_AGAIN:
        return finding.model_copy(update={"verdict": Verdict.BOUNCE_AGAIN, "says": _bounced(finding)})
    return finding


def _limited(finding: Finding) -> str:
    if finding.code == "inter_sample_over":
        return finding.says
    return f"Flat crests, as a limiter or clipping leaves them{_place(finding)}. If you set a limiter, that is it."


def _bounced(finding: Finding) -> str:
    what = {
        "clipped": "The mix bus passed full scale, and the bounce is cut flat there",
        "dropout": "Sound is missing",
        "corrupt": "The file is damaged",
    }.get(finding.code, finding.says.rstrip("."))
    return f"{what}{_place(finding)}: bounce it again{', lower' if finding.code == 'clipped' else ''}."


def _place(finding: Finding) -> str:
    at_s = finding.worst_at_s
    times = f", {finding.count} times" if finding.count > 1 else ""
    return times if at_s is None else f"{times}, worst at {clock(at_s)}"


def _ends(ends: EndsFigure, levels: Levels) -> list[Finding]:
    if levels.sample_peak_dbfs is None:
        return [_finding("silent", Verdict.BOUNCE_AGAIN, "Digital silence and nothing else: bounce it again.")]
    rest = _rest(ends, levels)
    return [*_silences(ends), *_start_cut(ends), *(rest or _end_cut(ends)), *_dc(ends)]


def _silences(ends: EndsFigure) -> list[Finding]:
    found = []
    if ends.silence_before_s > SILENCE_BEFORE_S:
        says = f"{ends.silence_before_s:.1f} s of silence before the music: cut it, unless it is meant."
        found.append(_finding("silence_before", Verdict.LISTEN, says, 0.0, silence_s=ends.silence_before_s))
    if ends.silence_after_s > SILENCE_AFTER_S:
        says = f"{ends.silence_after_s:.1f} s of silence after the music: cut it, unless it is meant."
        found.append(_finding("silence_after", Verdict.LISTEN, says, silence_s=ends.silence_after_s))
    return found


def _start_cut(ends: EndsFigure) -> list[Finding]:
    first = ends.first_peak_dbfs
    if first is None or first <= CUT_START_DBFS:
        return []
    says = f"The start is cut: it begins at {first:.0f} dBFS. Bounce from a little earlier."
    return [_finding("start_cut", Verdict.BOUNCE_AGAIN, says, 0.0, level_dbfs=first)]


def _end_cut(ends: EndsFigure) -> list[Finding]:
    last = ends.last_peak_dbfs
    if last is None or last <= CUT_END_LISTEN_DBFS:
        return []
    is_loud = last > CUT_END_DBFS
    does = "bounce it again, longer" if is_loud else "listen whether the last note rings out"
    says = f"The file ends while it still sounds, at {last:.0f} dBFS: {does}."
    return [_finding("end_cut", Verdict.BOUNCE_AGAIN if is_loud else Verdict.LISTEN, says, level_dbfs=last)]


def _rest(ends: EndsFigure, levels: Levels) -> list[Finding]:
    """Noise or hum that is left when a fade or the last note has gone."""
    rest, spread, average = ends.rest_dbfs, ends.rest_spread_db, levels.average_dbfs
    if rest is None or spread is None or average is None:
        return []
    if not REST_DBFS[0] <= rest <= REST_DBFS[1] or spread > REST_SPREAD_DB or average - rest < REST_UNDER_DB:
        return []
    what = f"hum of {ends.rest_hz:g} Hz" if ends.rest_hz else "steady noise"
    says = f"The end fades into {what} at {rest:.0f} dBFS: fade to silence, or cut earlier."
    return [_finding("noise_at_end", Verdict.LISTEN, says, level_dbfs=rest)]


def _dc(ends: EndsFigure) -> list[Finding]:
    if ends.dc_linear < DC_LINEAR:
        return []
    says = f"The file starts or ends {100.0 * ends.dc_linear:.1f} % of full scale away from zero: it may click there."
    return [_finding("dc_at_end", Verdict.LISTEN, says, offset_linear=ends.dc_linear)]


def _sides(sides: SidesFigure) -> list[Finding]:
    found = []
    for name, spans in (("left", sides.left_out_s), ("right", sides.right_out_s)):
        if spans:
            start, end = max(spans, key=lambda span: span[1] - span[0])
            says = f"Nothing on the {name} from {clock(start)} to {clock(end)}: panned hard, or a side that is lost?"
            found.append(_finding("side_missing", Verdict.LISTEN, says, start, lasts_s=end - start, side=name))
    lowest, at_s = sides.lowest_correlation, sides.lowest_correlation_at_s
    if lowest is not None and lowest < LOWEST_CORRELATION:
        says = f"Left and right work against each other around {clock(at_s or 0.0)}: listen to it in mono."
        found.append(_finding("sides_cancel", Verdict.LISTEN, says, at_s, correlation=lowest))
    return found


def _mono(bands: Sequence[BandFigure]) -> list[Finding]:
    lost = [band for band in bands if _is_lost(band)]
    if not lost:
        return []
    band = min(lost, key=lambda each: each.mono_loss_db or 0.0)
    says = (
        f"In mono {-(band.mono_loss_db or 0.0):.0f} dB are lost from {band.from_hz:g} to {band.to_hz:g} Hz, as on a "
        "phone or in a shop: listen in mono before you send it."
    )
    loss, share = band.mono_loss_db or 0.0, band.share
    return [_finding("mono_loss", Verdict.LISTEN, says, mono_loss_db=loss, share=share, from_hz=band.from_hz)]


def _is_lost(band: BandFigure) -> bool:
    return band.mono_loss_db is not None and band.mono_loss_db < MONO_LOSS_DB and band.share >= MONO_SHARE


def _finding(code: str, verdict: Verdict, says: str, at_s: float | None = None, **measured: float | str) -> Finding:
    places = () if at_s is None else (at_s,)
    return Finding(code=code, verdict=verdict, at_s=places, worst_at_s=at_s, measured=measured, says=says)


def _difference(measured: float | None, target: float | None) -> float | None:
    return None if measured is None or target is None else measured - target


def _up(excess_db: float) -> float:
    """The next tenth of a dB that is no less."""
    return -(-round(excess_db * 1e6) // 100_000) / 10.0
