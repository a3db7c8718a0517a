"""Findings about the two sides of a stereo file, and about the two microphones that recorded them. Pure."""

from collections.abc import Sequence
from typing import Final, Literal

from stager.model import ChannelLevels, Finding, Levels, Verdict
from stager.model.condition import Band, Microphones
from stager.model.limits import ChannelLimits
from stager.units import db_from_power

SOUND_M_PER_S: Final = 343.0
"""Speed of sound in dry air at 20 °C (CRC Handbook of Chemistry and Physics, speed of sound in dry air: 343.2 m/s)."""

BALANCED_DB: Final = 0.05
"""Balance that is printed as none."""
PLUGGING_CAUTION: Final = "Before you unplug anything, turn the monitors down and phantom power off."

Side = Literal["left", "right"]


def channel_findings(
    microphones: Microphones | None, levels: Levels, limits: ChannelLimits | None = None, *, is_take: bool = False
) -> list[Finding]:
    """Return the findings about the two sides; none for files of one channel, or of more than two.

    In a take a smaller imbalance is reported, since the input can still be set.
    """
    limits = limits or ChannelLimits()
    if microphones is None or levels.average_dbfs is None:
        return []
    alone = one_sided(levels, limits)
    if alone:
        return alone
    same = dual_mono(microphones, levels, limits)
    if same:
        return same
    flipped = polarity_flipped(microphones, levels, limits)
    return [
        *flipped,
        *side_imbalance(levels, limits, is_take=is_take),
        *([] if flipped else mono_loss(microphones, limits)),
        *delay(microphones, limits),
    ]


def balance_words(side_balance_db: float | None) -> str | None:
    """Return how the sides compare in level while they play, such as "left +2.1 dB"; None where nothing is compared."""
    if side_balance_db is None:
        return None
    if abs(side_balance_db) < BALANCED_DB:
        return "sides equal"
    return f"{'left' if side_balance_db > 0.0 else 'right'} {abs(side_balance_db):+.1f} dB"


def dual_mono(microphones: Microphones, levels: Levels, limits: ChannelLimits) -> list[Finding]:
    """Return the finding of a mono part in a stereo file: both sides the same to the bit, or but for a trace."""
    balance, residual = levels.side_balance_db, residual_db(levels)
    measured: dict[str, float | str] = {} if residual is None else {"residual_db": residual}
    if microphones.identical:
        says = "Both sides are the same, to the bit: a mono part in a stereo file, and a mono file would do."
    elif balance is None or abs(balance) > limits.dual_mono_balance_db or not is_one_sound(levels, limits):
        return []
    else:
        trace = "" if residual is None else f" by a trace ({residual:.0f} dB)"
        says = f"Almost mono: left and right differ{trace or ' by a hair of level'}. A mono file would do."
        measured["side_balance_db"] = balance
    return [Finding(code="dual_mono", verdict=Verdict.USABLE, channels=(1, 2), measured=measured, says=says)]


def one_sided(levels: Levels, limits: ChannelLimits) -> list[Finding]:
    """Return the finding of a stereo stem that plays on one side only."""
    left, right = (channel.average_dbfs for channel in levels.per_channel)
    if left is None and right is None:
        return []
    playing: Side = "left" if right is None or (left is not None and left > right) else "right"
    loud, quiet = levels.per_channel if playing == "left" else levels.per_channel[::-1]
    measured: dict[str, float | str] = {"side": playing}
    if left is not None and right is not None:
        if abs(left - right) < limits.one_sided_db:
            return []
        measured["side_balance_db"] = left - right
        rest = f"lies {abs(left - right):.0f} dB under it"
    elif _is_only_quieter(loud, quiet, limits):
        return []
    else:
        peak = quiet.sample_peak_dbfs
        rest = "is silent" if peak is None else f"never rises above {peak:.0f} dBFS"
    says = f"Only the {playing} side plays, the {other(playing)} one {rest}: a mono part, or a cable that fell out."
    channels = (1 if playing == "left" else 2,)
    return [Finding(code="one_sided", verdict=Verdict.USABLE, channels=channels, measured=measured, says=says)]


def side_imbalance(levels: Levels, limits: ChannelLimits, *, is_take: bool = False) -> list[Finding]:
    """Return the finding of sides far apart in level: a panned mono part is a fact, a pair may lean too far."""
    balance = levels.side_balance_db
    from_db = min(limits.take_imbalance_db, limits.side_imbalance_db) if is_take else limits.side_imbalance_db
    if balance is None or abs(balance) < from_db:
        return []
    louder: Side = "left" if balance > 0.0 else "right"
    stands = f"The {louder} side is {abs(balance):.1f} dB louder than the {other(louder)} one"
    panned = is_one_sound(levels, limits)
    says = f"{stands}, with the same sound on both: a mono part that was panned."
    if not panned:
        says = f"{stands}: was one microphone nearer, or one input higher? If it is panned so on purpose, all is well."
    return [
        Finding(
            code="side_imbalance",
            verdict=Verdict.USABLE if panned or abs(balance) < limits.side_imbalance_listen_db else Verdict.LISTEN,
            channels=(1 if louder == "left" else 2,),
            measured={"side_balance_db": balance},
            says=says,
        )
    ]


def polarity_flipped(microphones: Microphones, levels: Levels, limits: ChannelLimits) -> list[Finding]:
    """Return the finding of sides of opposite polarity, by the peak of their delay, or without one by the lows.

    The whole and its bands must agree: a wide sound has bands, or a whole, that stand against each other a little.
    """
    lowest = next((band for band in carrying(microphones.bands, limits) if band.correlation is not None), None)
    by_delay = microphones.inverted
    if by_delay is None:
        sunk = lowest is not None and (lowest.correlation or 0.0) <= limits.flipped_correlation
        if not sunk or levels.correlation is None or levels.correlation > limits.flipped_correlation:
            return []
    elif not by_delay or _is_wide(microphones, levels, limits):
        return []
    measured: dict[str, float | str] = {} if levels.correlation is None else {"correlation": levels.correlation}
    if levels.mono_loss_db is not None:
        measured["mono_loss_db"] = levels.mono_loss_db
    lost = "" if levels.mono_loss_db is None else f": {abs(levels.mono_loss_db):.0f} dB lost"
    says = (
        f"Left and right work against each other and cancel in mono{lost}. Flip one side and listen in mono: if it "
        f"gets fuller, a cable or a switch is the wrong way round; if it gets thinner, flip it back, the sound is wide "
        f"on purpose. {PLUGGING_CAUTION}"
    )
    return [Finding(code="polarity_flipped", verdict=Verdict.LISTEN, channels=(1, 2), measured=measured, says=says)]


def mono_loss(microphones: Microphones, limits: ChannelLimits) -> list[Finding]:
    """Return the finding of bands that cancel in mono; microphones apart lose about 3 dB, which is no fault.

    Where the sides are one sound with a delay, its comb filter is reported with the delay, and is no fault.
    """
    sunk = [] if round(microphones.delay_frames or 0.0) else sinking(microphones.bands, limits)
    if not sunk:
        return []
    says = f"Played in mono, {_lost(sunk)}: listen to it in mono."
    measured: dict[str, float | str] = {
        f"{band.name}_mono_loss_db": band.mono_loss_db for band in sunk if band.mono_loss_db is not None
    }
    measured |= {f"{band.name}_correlation": band.correlation for band in sunk if band.correlation is not None}
    return [Finding(code="mono_loss", verdict=Verdict.LISTEN, channels=(1, 2), measured=measured, says=says)]


def delay(microphones: Microphones, limits: ChannelLimits) -> list[Finding]:
    """Return the finding of a delay between the microphones, with its distance and its remedy: a fact, no fault."""
    frames, seconds = microphones.delay_frames, microphones.delay_s
    if frames is None or seconds is None or not round(frames) or abs(seconds) * 1000.0 < limits.delay_ms:
        return []
    late: Side = "right" if frames > 0 else "left"
    way_m, sunk = abs(seconds) * SOUND_M_PER_S, sinking(microphones.bands, limits)
    delay_ms = abs(seconds) * 1000.0
    hears = f"The {late} microphone hears it {delay_ms:.2f} ms ({_samples(round(frames))}) after the {other(late)} one"
    if delay_ms < limits.delay_apart_ms:
        says = f"{hears}, {100.0 * way_m:.1f} cm of way: as good as in one place."
    else:
        mono = f"; played in mono as it is, {_lost(sunk)}" if sunk and not microphones.inverted else ""
        says = (
            f"{hears}, {way_m:.2f} m of way: move the {late} side earlier by that where they should line up, or leave "
            f"it where the distance is wanted{mono}."
        )
    return [
        Finding(
            code="delay",
            verdict=Verdict.USABLE,
            channels=(2 if late == "right" else 1,),
            measured={
                "delay_ms": seconds * 1000.0,
                "delay_frames": frames,
                "distance_m": way_m,
            },
            says=says,
        )
    ]


def sinking(bands: Sequence[Band], limits: ChannelLimits) -> list[Band]:
    """Return the bands that carry sound and lose too much of it when both sides are played as one."""
    return [
        band
        for band in carrying(bands, limits)
        if band.correlation is not None and (band.mono_loss_db is None or band.mono_loss_db <= limits.mono_loss_db)
    ]


def residual_db(levels: Levels) -> float | None:
    """Return what remains of one side once the other, at its best level, is subtracted: 1 - r^2 (least squares)."""
    return None if levels.correlation is None else db_from_power(max(0.0, 1.0 - levels.correlation**2))


def is_one_sound(levels: Levels, limits: ChannelLimits) -> bool:
    """Return whether both sides carry the same sound, upright, at whatever levels."""
    residual = residual_db(levels)
    upright = levels.correlation is not None and levels.correlation > 0.0
    return upright and (residual is None or residual <= limits.dual_mono_residual_db)


def carrying(bands: Sequence[Band], limits: ChannelLimits) -> list[Band]:
    """Return the bands that carry sound worth judging, from the lowest up."""
    return [band for band in bands if band.power_share >= limits.band_share]


def other(side: Side) -> Side:
    """Return the other side."""
    return "right" if side == "left" else "left"


def _is_wide(microphones: Microphones, levels: Levels, limits: ChannelLimits) -> bool:
    """Return whether sides that lie in one place don't cancel as a whole, or are upright in a band that carries sound.

    Sides of which one is later are no such case: a delay turns over some bands, and leaves the whole near zero.
    """
    if round(microphones.delay_frames or 0.0) or levels.correlation is None:
        return False
    upright = any((band.correlation or 0.0) > 0.0 for band in carrying(microphones.bands, limits))
    return levels.correlation > limits.flipped_correlation or upright


def _is_only_quieter(loud: ChannelLevels, quiet: ChannelLevels, limits: ChannelLimits) -> bool:
    """Return whether a side under the gate is only quieter: less than half as far down as a silent side must be."""
    both = loud.average_dbfs is not None and quiet.average_ungated_dbfs is not None
    return both and (loud.average_dbfs or 0.0) - (quiet.average_ungated_dbfs or 0.0) < limits.one_sided_db / 2.0


def _lost(sunk: Sequence[Band]) -> str:
    """Return how much of which bands is lost: "9 dB of the lows (40 to 250 Hz) are lost"."""
    names = " and ".join(f"the {band.name} ({band.low_hz:.0f} to {band.high_hz:.0f} Hz)" for band in sunk)
    losses = [band.mono_loss_db for band in sunk if band.mono_loss_db is not None]
    if len(losses) < len(sunk):
        return f"all of {names} is lost"
    return f"{-min(losses):.0f} dB of {names} are lost"


def _samples(frames: int) -> str:
    return "1 sample" if abs(frames) == 1 else f"{abs(frames)} samples"
