"""What the sum of all stems means: places in time, the one offset, room for more, sentences. Pure.

Headroom is a figure and never a fault: sixteen independent stems at -18 add up to -6, and that is arithmetic.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import floor
from typing import Final

from stager.judge.because import reason, with_reasons
from stager.judge.louder import fader_caution
from stager.judge.sentences import listed
from stager.judge.trim import GRACE_STEPS, FigureAfter
from stager.model import DecidedBy, ReasonCode, TrimDecision
from stager.model.bus import BusForecast, LeftOut, Room, RoughMatch, RoughPlace, StemDeviation
from stager.units import db_from_linear, db_from_power, power_from_db

LONGEST_GAP_S: Final = 600.0
"""A silence longer than that between one stem's end and the next one's start, with no other stem playing, is a wrong
time stamp and no pause in a song (own figure)."""
DITHER_LSB2: Final = {True: 0.25, False: 1.0 / 12.0}
"""Mean square of what rounding adds, with triangular dither and without, in squared steps of the grid. Source:
Wannamaker, Lipshitz, Vanderkooy, Wright, IEEE Trans. Signal Processing 48(2), 2000."""
RESTORED_DBFS: Final = -120.0
"""A residual that counts as nothing where nothing is expected: under the noise of any converter (own figure)."""
RESTORED_ROOM_DB: Final = 1.0
"""How far a residual may pass what is expected of dither: it is a mean of random values (own figure)."""
DIFFERS_DB: Final = -40.0
"""A residual above this, a hundredth of the mix's amplitude, is a difference (own figure: one that can begin to be
heard)."""
SIMILAR: Final = 0.5
"""Correlation under which a mix and a sum of stems can't be laid on each other (own figure)."""
MOST_PLACES: Final = 20
MONITORS_CAUTION: Final = " Lower your monitors before you play all copies at unity."
MISSING_DB: Final = -12.0
"""Level in a mix, against the other stems, under which a stem counts as missing from it (own figure)."""
LEAST_LAG_S: Final = 5e-5
"""Shift from which on it is said."""


@dataclass(frozen=True)
class Span:
    """A stem on the common clock: its time stamp, None where it has none, and its length, in frames of one rate."""

    start: int | None
    frames: int


@dataclass(frozen=True)
class Starts:
    """Where each stem starts in the sum, in frames, and the numbers of those put at 0 for another reason than a stamp.

    `zero_stamp` is the stamp that became 0, None without any.
    """

    first_frames: tuple[int, ...]
    zero_stamp: int | None
    without_stamp: tuple[int, ...]
    doubted: tuple[int, ...]


def common_rate(rates_hz: Sequence[int]) -> int | None:
    """Return the rate that most stems have, of equals the one that came first; None without any."""
    return Counter(rates_hz).most_common(1)[0][0] if rates_hz else None


def starts_of(spans: Sequence[Span], rate_hz: int) -> Starts:
    """Return the starts of stems by their time stamps: the earliest is time 0, and those without one start there.

    Stamps count from midnight, so a wrong one is hours off. Stems whose stamps leave a gap of more than
    `LONGEST_GAP_S` to all others are doubted and start at 0; the largest group that hangs together keeps its places.
    """
    group = set(_largest_group(spans, rate_hz))
    zero = min((span.start for n, span in enumerate(spans) if n in group and span.start is not None), default=None)
    placed = tuple((span.start or 0) - (zero or 0) if n in group else 0 for n, span in enumerate(spans))
    without = tuple(number for number, span in enumerate(spans) if span.start is None)
    doubted = tuple(n for n, span in enumerate(spans) if span.start is not None and n not in group)
    return Starts(placed, zero, without, doubted)


def uniform_offset_db(true_peak_dbtp: float | None, ceiling_dbtp: float, step_db: float) -> float | None:
    """Return the offset for all trims that brings the bus's true peak to its ceiling, in whole steps, rounded down.

    Below 0 it is needed, above 0 it is room; None where the bus is silent.
    """
    if true_peak_dbtp is None:
        return None
    return round(floor((ceiling_dbtp - true_peak_dbtp) / step_db + GRACE_STEPS) * step_db, 9) + 0.0


def room_for(forecast: BusForecast, more: int) -> Room | None:
    """Return the forecast of the bus with `more` parts like the present ones; None where it is silent now.

    Rule: the new parts have the mean power of the present ones and have nothing in common with them or each other, so
    that powers add; the bus's crest, true peak over RMS, stays what it is. N equal independent parts become N + n with
    a rise of 10 log (1 + n/N). Source: addition of powers of incoherent signals.
    """
    if forecast.true_peak_dbtp is None or not forecast.bus_power:
        return None
    rise = db_from_power(1.0 + more * forecast.mean_part_power / forecast.bus_power) or 0.0
    peak = forecast.true_peak_dbtp + rise
    room = forecast.ceiling_dbtp - peak
    left = f"{room:.1f} dB of room are left" if room >= 0.0 else f"the ceiling is passed by {-room:.1f} dB"
    says = (
        f"With {more} more like the present ones the sum rises by about {rise:.1f} dB to {peak:.1f} dBTP: {left} "
        f"(ceiling {forecast.ceiling_dbtp:g} dBTP)."
    )
    return Room(more=more, rise_db=rise, true_peak_dbtp=peak, room_db=room, says=says)


def rounding_power(valid_bits: int, *, dithered: bool) -> float:
    """Return the mean square that rounding to `valid_bits` bits adds; full scale is 1."""
    return float(DITHER_LSB2[dithered] * 2.0 ** (2 * (1 - valid_bits)))


def is_restored(residual_dbfs: float | None, expected_dbfs: float | None) -> bool:
    """Return whether what is left is no more than the copies' own rounding, or lies under `RESTORED_DBFS`."""
    most = RESTORED_DBFS if expected_dbfs is None else max(RESTORED_DBFS, expected_dbfs + RESTORED_ROOM_DB)
    return residual_dbfs is None or residual_dbfs <= most


def balance_sentence(
    stems: int, residual_dbfs: float | None, expected_dbfs: float | None, *, restored: bool, highest_db: float = 0.0
) -> str:
    """Return whether the faders of the list bring the rough balance back; `highest_db` is the largest move upwards."""
    says = _balance_sentence(stems, residual_dbfs, expected_dbfs, restored=restored)
    caution = fader_caution(highest_db)
    return f"{says} {caution}" if caution else says


def _balance_sentence(stems: int, residual_dbfs: float | None, expected_dbfs: float | None, *, restored: bool) -> str:
    what = "1 copy" if stems == 1 else f"{stems} copies"
    if stems == 0:
        return "There is no copy to bring the rough balance back with."
    if residual_dbfs is None:
        return "With each fader at minus its trim your rough balance comes back, to the last bit."
    if restored:
        left = f"what is left: {residual_dbfs:.0f} dBFS, dither"
        return f"With each fader at minus its trim your rough balance comes back ({left})."
    why = "" if expected_dbfs is None else f"; dither alone gives {expected_dbfs:.0f}"
    left = f"the difference is {residual_dbfs:.0f} dBFS{why}"
    return f"With each fader at minus its trim the sum of {what} is not that of the originals: {left}."


def rough_match(
    *,
    lag_s: float,
    gain_linear: float,
    similarity: float,
    left: Sequence[float],
    whole: Sequence[float],
    window_s: float,
    duration_s: float,
    left_out: tuple[LeftOut, ...] = (),
) -> RoughMatch:
    """Return what is left of a mix, window by window, after the stems are subtracted; `left` and `whole` are energies.

    A window differs where what is left passes `DIFFERS_DB` of the mix's mean level in the windows that hold any of it.
    """
    sounding = [energy for energy in whole if energy > 0.0]
    level = sum(sounding) / len(sounding) if sounding else 0.0
    places = tuple(_places(left, level, window_s, duration_s))
    adds_up = bool(sounding) and similarity >= SIMILAR and not places
    residual = db_from_power(sum(left) / sum(sounding)) if sounding else None
    return RoughMatch(
        lag_s=lag_s,
        gain_db=db_from_linear(gain_linear),
        flipped=gain_linear < 0.0,
        similarity=similarity,
        residual_db=residual,
        window_s=window_s,
        residuals_db=tuple(db_from_power(energy / level) if level else None for energy in left),
        places=places[:MOST_PLACES],
        adds_up=adds_up,
        left_out=left_out,
        says=_rough_sentence(lag_s, gain_linear, similarity, residual, places),
    )


def needed_offset_db(forecast: BusForecast, taken_db: float) -> float:
    """Return the offset that all trims should have, 0 or less; `taken_db` is what the summed stems have taken already.

    What is in force stays while the sum keeps under its ceiling by less than two steps: the dither of the copies moves
    the peak of the sum by a hair, and a step up and down for it would stage every stem for ever.
    """
    if forecast.uniform_offset_db is None or forecast.room_db is None:
        return taken_db
    if taken_db < 0.0 and 0.0 <= forecast.room_db < 2.0 * forecast.step_db:
        return taken_db
    return min(0.0, round(taken_db + forecast.uniform_offset_db, 9)) + 0.0


def with_bus_offset(trim: TrimDecision, offset_db: float, average_after: FigureAfter) -> TrimDecision:
    """Return a decided trim moved by the bus's offset; silent stems and those with rule `leave` are not moved.

    `average_after` is the stem's average after a gain, in the target's reference.
    """
    if offset_db == 0.0 or trim.decided_by in (DecidedBy.LEAVE, DecidedBy.SILENT):
        return trim
    gain_db, peak = round(trim.gain_db + offset_db, 9) + 0.0, trim.predicted_true_peak_dbtp
    return with_reasons(
        trim,
        reason(ReasonCode.BUS_OFFSET, offset_db=offset_db),
        gain_db=gain_db,
        bus_offset_db=offset_db,
        predicted_average_dbfs=average_after(gain_db),
        predicted_true_peak_dbtp=None if peak is None else peak + offset_db,
        restore_fader_db=0.0 - gain_db,
    )


def bus_sentences(forecast: BusForecast) -> tuple[str, ...]:
    """Return what the forecast found: the peak, who makes it, the offset, what is left out."""
    return tuple(_sentences(forecast))


def _largest_group(spans: Sequence[Span], rate_hz: int) -> list[int]:
    """Return the largest group of stems whose time stamps lie near each other; of equal groups the earliest."""
    groups: list[list[int]] = []
    end = 0
    for number in sorted(
        (n for n, span in enumerate(spans) if span.start is not None), key=lambda n: spans[n].start or 0
    ):
        start = spans[number].start or 0
        if not groups or start - end > LONGEST_GAP_S * rate_hz:
            groups.append([])
        groups[-1].append(number)
        end = max(end, start + spans[number].frames)
    return max(groups, key=len, default=[])


def _sentences(forecast: BusForecast) -> Iterator[str]:
    yield _peak_sentence(forecast)
    if forecast.loudest:
        yield loudest_sentence(forecast)
    if forecast.uniform_offset_db is not None:
        yield _offset_sentence(forecast.uniform_offset_db, forecast.ceiling_dbtp)
    yield from _omissions(forecast)


def _peak_sentence(forecast: BusForecast) -> str:
    stems = "1 stem" if forecast.parts == 1 else f"{forecast.parts} stems"
    if forecast.true_peak_dbtp is None or forecast.at_s is None:
        return f"The sum of {stems} at unity faders is silent."
    loud = f", loudness {forecast.loudness_lufs:.1f} LUFS" if forecast.loudness_lufs is not None else ""
    return (
        f"The sum of {stems} at unity faders peaks at {forecast.true_peak_dbtp:.1f} dBTP, at {forecast.at_s:.2f} s "
        f"on the {forecast.side}{loud} (centred mono stems at {forecast.pan_law_db:g} dB)."
        f"{MONITORS_CAUTION if forecast.true_peak_dbtp > 0.0 else ''}"
    )


def loudest_sentence(forecast: BusForecast) -> str:
    """Return the sentence that names the stems that add most to the peak."""
    names = [part.stem for part in forecast.loudest]
    what = {1: "The loudest", 2: "The two loudest", 3: "The three loudest"}.get(len(names), "The loudest")
    return f"{what} at that moment: {', '.join(names)}."


def _offset_sentence(offset_db: float, ceiling_dbtp: float) -> str:
    if offset_db < 0.0:
        lower = f"Lower every stem by {abs(offset_db):g} dB and the mix peaks at {ceiling_dbtp:g} dBTP"
        return f"{lower}. This concerns the sum alone."
    return f"It keeps under {ceiling_dbtp:g} dBTP with {offset_db:g} dB to spare."


def _omissions(forecast: BusForecast) -> Iterator[str]:
    without = len(forecast.without_stamp)
    if without == forecast.parts > 0:
        yield "No stem has a time stamp: all start together."
    elif without:
        yield f"{without} of {forecast.parts} stems {'has' if without == 1 else 'have'} no time stamp: put at 0."
    for name in forecast.stamps_doubted:
        yield f"{name}: its time stamp lies far from the others', so it was put at 0."
    for left_out in forecast.left_out:
        yield f"Not in the sum: {left_out.says}"


def _places(left: Sequence[float], level: float, window_s: float, duration_s: float) -> Iterator[RoughPlace]:
    """Stretches of windows in which more is left than `DIFFERS_DB`."""
    numbers = [n for n, energy in enumerate(left) if energy > level * power_from_db(DIFFERS_DB)]
    while numbers:
        count = next((n for n in range(1, len(numbers)) if numbers[n] != numbers[0] + n), len(numbers))
        stretch, numbers = numbers[:count], numbers[count:]
        mean = sum(left[n] for n in stretch) / count / level if level else 0.0
        end_s = min(duration_s, (stretch[-1] + 1) * window_s)
        yield RoughPlace(start_s=stretch[0] * window_s, end_s=end_s, residual_db=db_from_power(mean) or 0.0)


def with_deviations(match: RoughMatch, deviations: tuple[StemDeviation, ...]) -> RoughMatch:
    """Return the match with the stems that explain its differences, and a sentence on them.

    The same match where nothing differs, or where mix and stems can't be lined up.
    """
    if not match.places or match.similarity < SIMILAR:
        return match
    return match.model_copy(
        update={"deviations": deviations, "says": f"{match.says} {_deviations_sentence(deviations)}"}
    )


def _deviations_sentence(deviations: Sequence[StemDeviation]) -> str:
    if not deviations:
        return "No single stem explains it: effects, automation, or a part that is not among the stems."
    missing = [each.stem for each in deviations if each.level_db is None or each.level_db <= MISSING_DB]
    others = [_deviation_words(each.stem, each.level_db) for each in deviations if each.stem not in missing]
    gone = [f"{listed(missing)} {'is' if len(missing) == 1 else 'are'} missing from the mix"] if missing else []
    return (
        f"Likely cause: {'; '.join([*gone, *others])}. Effects and automation blur this: listen before you rely on it."
    )


def _deviation_words(stem: str, level_db: float | None) -> str:
    away_db = level_db or 0.0
    return f"{stem} is {abs(away_db):.0f} dB {'louder' if away_db > 0.0 else 'softer'} in the mix"


def _rough_sentence(
    lag_s: float, gain_linear: float, similarity: float, residual_db: float | None, places: Sequence[RoughPlace]
) -> str:
    if similarity < SIMILAR or not gain_linear:
        return "The stems and the rough mix can't be lined up: they are alike at no lag."
    turned = ", with its polarity reversed" if gain_linear < 0.0 else ""
    moved = f" and time ({1000.0 * lag_s:+.1f} ms)" if abs(lag_s) >= LEAST_LAG_S else ""
    how = f"after matching level ({db_from_linear(gain_linear) or 0.0:+.1f} dB){moved}{turned}"
    left = "no difference" if residual_db is None else f"difference {residual_db:.0f} dB"
    if not places:
        return f"The stems add up to the rough mix: {left} {how}."
    where = ", ".join(f"{place.start_s:.0f} to {place.end_s:.0f} s" for place in places[:3])
    more = "" if len(places) <= 3 else f" and {len(places) - 3} more places"
    size = "" if residual_db is None else f" (by {residual_db:.0f} dB)"
    return f"The stems and the rough mix differ at {where}{more}{size}, {how}."
