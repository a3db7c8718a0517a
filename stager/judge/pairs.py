"""How two stems are related, judged from the figures of their comparison, and the findings that follow. Pure.

The depths that separate the kinds were chosen on pairs made by code, of which the truth is known: copies through
filters and rooms, two microphones, lines and amplifiers, parts played twice as tight as half a millisecond.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from stager.model.finding import Verdict
from stager.model.handover import SetFinding
from stager.model.pairs import Kinship, OnsetTrack, PairLikeness

MOVED_MS: Final = 1.5
"""Lag from which on two files are no pair of microphones side by side (own figure: sound goes half a metre)."""
MOVED_LEVEL_DB: Final = 9.0
"""Depth through a level alone from which on moved stems are a copy (own figure: microphones so far apart reach 8.1, a
copy in a room 5 and more, a plain copy 35)."""
MOVED_FILTER_DB: Final = 11.0
"""The same through a filter of 8 ms (own figure: microphones so far apart reach 9.4, an equalised copy 12 and more)."""
COPY_LEVEL_DB: Final = 14.5
"""Depth through a level alone from which on stems at one place are a copy (own figure: two sides of a pair reach
13.7)."""
COPY_FILTER_DB: Final = 18.0
"""The same through a filter of 8 ms (own figure: two sides of a pair reach 15.8, an equalised copy 28 and more)."""
COPY_ROOM_DB: Final = 28.0
"""Depth through a room of 0.6 s from which on it is a copy (own figure: the two sides of a drum's pair reach 25.5, a
dry copy of hits in a room 30 and more)."""
ROOM_FROM_DB: Final = 5.0
"""Depth through a level or a filter from which on a room is asked for (own figure: copies in a room have 5.2 and
more)."""
MOVED_DOUBT_DB: Final = (6.5, 8.5, 10.0)
"""Depths through a level, a filter and a room from which on moved stems may be a copy in a room (own figure)."""
LEVEL_DOUBT_DB: Final = 7.0
"""Depth through a level from which on stems at one place may be a copy in a room, where a filter does no better (own
figure: what a room adds comes after the sound, and two microphones hear it through two filters)."""
SAME_SOUND_DB: Final = 1.0
"""By how much a filter does better than a level where the direct sound is the same (own figure)."""
HIGH_DOUBT_DB: Final = 10.9
"""Depth through a level from which on stems at one place may be a copy, whatever a filter does (own figure: two sides
of a pair seldom have it)."""
ROOM_DOUBT_DB: Final = 14.0
"""Depth through a room from which on stems at one place may be a copy, where a filter does far worse."""
ROOM_GAIN_DB: Final = 9.0
"""How far worse that is (own figure: two sides of a drum's pair have 3 to 16, copies in a room 11 and more)."""
DRIVEN_DB: Final = 3.0
"""Depth through an amplifier's curve from which on it is one take (own figure: a line and its amplifier have 7 and
more, two performances 0.6 at most)."""
ALIKE_ONSETS: Final = 0.5
"""Share of hits with one waveform from which on they come from one sample (own figure: played by hand, none are)."""
TWO_BELOW: Final = 1.0
"""Depth through a filter in dB, plus the share of windows on the line, under which two performances were heard (own
figure: they reach 0.95, since hands hold no lag and no filter makes one from the other)."""
ONE_FROM: Final = 1.15
"""The same figure from which on it is one performance (own figure: the least alike, a line and its driven amplifier,
has 1.2 in most cases); between both it is left open."""
AMPLIFIER_FROM: Final = 0.5
AMPLIFIER_BELOW: Final = 2.0
"""The same figure between which an amplifier is asked for (own figure: a line and its amplifier have 0.9 and more)."""
MIN_WINDOWS: Final = 8
"""Windows of 0.2 s under which nothing is said (own figure: less than a second of playing)."""
DRIFT_PPM: Final = 20.0
"""Drift from which on it is said (own figure: two good clocks stay within it)."""
SAME_LEVEL_DB: Final = 0.5
"""Difference in level from which on it is said (own figure: about the least that is heard)."""
LEAST_LAG_MS: Final = 0.005
"""Shift from which on it is said (own figure: a quarter of a frame at 48 kHz)."""


LONG_LAG_MS: Final = 1_000.0
"""Shift from which on it is said in seconds."""
COPY_ADVICE: Final = "For width, record it again; if it is meant (loop, effect), allow it."


@dataclass(frozen=True)
class Pair:
    """Two stems by name, in the order in which they were compared, and how alike they are."""

    stems: tuple[str, str]
    likeness: PairLikeness


def asks_for_room(likeness: PairLikeness) -> bool:
    """Return whether the second may be a copy with a room added, so that a comparison through a room is needed."""
    level, filtered = likeness.level_depth_db or 0.0, likeness.filter_depth_db or 0.0
    return not _is_deep(likeness) and max(level, filtered) >= ROOM_FROM_DB


def asks_for_amplifier(likeness: PairLikeness) -> bool:
    """Return whether the pair may be a line and its amplifier, which neither a level nor a filter can show."""
    return not _is_deep(likeness) and AMPLIFIER_FROM <= _oneness(likeness) < AMPLIFIER_BELOW


def asks_for_pitch(likeness: PairLikeness) -> bool:
    """Return whether the pair would be called two performances, so that a copy shifted in pitch must be excluded."""
    return kinship(likeness) is Kinship.TWO_PERFORMANCES


def _is_moved(likeness: PairLikeness) -> bool:
    return likeness.track is not None and abs(likeness.track.lag_ms) >= MOVED_MS


def _is_deep(likeness: PairLikeness) -> bool:
    """Return whether one cancels the other as deeply as only a copy does; the limits allow for two sides of a pair."""
    limits_db = (MOVED_LEVEL_DB, MOVED_FILTER_DB) if _is_moved(likeness) else (COPY_LEVEL_DB, COPY_FILTER_DB)
    depths_db = (likeness.level_depth_db or 0.0, likeness.filter_depth_db or 0.0)
    return any(depth_db >= limit_db for depth_db, limit_db in zip(depths_db, limits_db, strict=True))


def may_be_copy(likeness: PairLikeness) -> bool:
    """Return whether stems of one take may be a copy in a room as well as two microphones."""
    level, filtered = likeness.level_depth_db or 0.0, likeness.filter_depth_db or 0.0
    room = likeness.room_depth_db or 0.0
    if _is_moved(likeness):
        return any(depth >= limit for depth, limit in zip((level, filtered, room), MOVED_DOUBT_DB, strict=True))
    same_sound = level >= LEVEL_DOUBT_DB and filtered - level < SAME_SOUND_DB
    by_room = room >= ROOM_DOUBT_DB and room - filtered >= ROOM_GAIN_DB
    return level >= HIGH_DOUBT_DB or same_sound or by_room


def _oneness(likeness: PairLikeness) -> float:
    """Return the depth in dB plus the share of windows on the line: low for two performances, high for one."""
    depth = max(likeness.level_depth_db or 0.0, likeness.filter_depth_db or 0.0)
    return depth + (likeness.track.support if likeness.track else 0.0)


def kinship(likeness: PairLikeness) -> Kinship:
    """Return how two stems are related; unsure also where one take may be a copy or two microphones."""
    if likeness.windows < MIN_WINDOWS or likeness.track is None:
        return Kinship.UNSURE
    if _is_deep(likeness) or (likeness.room_depth_db or 0.0) >= COPY_ROOM_DB:
        return Kinship.COPY
    if likeness.onsets is not None and likeness.onsets.alike >= ALIKE_ONSETS:
        return Kinship.COPY
    if may_be_copy(likeness):
        return Kinship.UNSURE
    oneness = _oneness(likeness)
    if oneness >= ONE_FROM or (likeness.driven_depth_db or 0.0) >= DRIVEN_DB:
        return Kinship.SAME_TAKE
    is_two = oneness < TWO_BELOW and likeness.pitch_cents is None
    return Kinship.TWO_PERFORMANCES if is_two else Kinship.UNSURE


def pair_findings(pair: Pair, *, is_double: bool) -> list[SetFinding]:
    """Return the findings of a pair: a copy is always one, the rest only where the names mean a double.

    One take in two files has no finding here: it becomes a link proposal.
    """
    what = kinship(pair.likeness)
    if what is Kinship.COPY:
        return [_found(pair, "double_is_copy", Verdict.LISTEN, _copy_sentence(pair))]
    if is_double and what is Kinship.TWO_PERFORMANCES:
        return [_found(pair, "double_is_true", Verdict.USABLE, _double_sentence(pair))]
    if is_double and what is Kinship.UNSURE:
        return [_found(pair, "double_unsure", Verdict.USABLE, _unsure_sentence(pair))]
    return []


def copy_findings(pairs: Sequence[Pair]) -> list[SetFinding]:
    """Return one finding for each family of copies: stems that copies connect."""
    copies = [pair for pair in pairs if kinship(pair.likeness) is Kinship.COPY]
    found = []
    for family in grouped([pair.stems for pair in copies]):
        inside = [pair for pair in copies if set(pair.stems) <= set(family)]
        found += pair_findings(inside[0], is_double=True) if len(family) == 2 else [_family(family)]
    return found


def grouped(pairs: Iterable[tuple[str, str]]) -> list[tuple[str, ...]]:
    """Return the groups of names that pairs connect; names and groups in alphabetical order."""
    groups: list[set[str]] = []
    for pair in pairs:
        touched = [group for group in groups if group & set(pair)]
        groups = [group for group in groups if not group & set(pair)]
        groups.append(set(pair).union(*touched))
    return sorted(tuple(sorted(group)) for group in groups)


def _family(stems: tuple[str, ...]) -> SetFinding:
    names = f"{', '.join(stems[:-1])} and {stems[-1]}"
    says = f"{names} are one performance, copied. The bus counts it {len(stems)} times. {COPY_ADVICE}"
    return SetFinding(code="double_is_copy", verdict=Verdict.LISTEN, stems=stems, says=says)


def _found(pair: Pair, code: str, verdict: Verdict, says: str) -> SetFinding:
    at_s, track = pair.likeness.at_s[:1], pair.likeness.track
    late_s = track.lag_ms / 1000.0 if track and code == "double_is_copy" else 0.0
    places = (at_s[0], max(0.0, at_s[0] + late_s)) if at_s else ()
    measured = measured_of(pair.likeness)
    return SetFinding(code=code, verdict=verdict, stems=pair.stems, at_s=places, measured=measured, says=says)


def measured_of(likeness: PairLikeness) -> dict[str, float | str | tuple[float, ...]]:
    """Return the figures behind a judgement by name; those not measured are left out."""
    track, onsets = likeness.track, likeness.onsets
    figures = {
        "lag_ms": track.lag_ms if track else None,
        "drift_ppm": track.drift_ppm if track else None,
        "on_line": track.support if track else None,
        "notes_lag_ms": onsets.lag_ms if onsets else None,
        "notes_spread_ms": onsets.spread_ms if onsets else None,
        "similarity": likeness.similarity,
        "level_db": likeness.level_db,
        "level_depth_db": likeness.level_depth_db,
        "filter_depth_db": likeness.filter_depth_db,
        "room_depth_db": likeness.room_depth_db,
        "driven_depth_db": likeness.driven_depth_db,
        "pitch_cents": likeness.pitch_cents,
        "compared_s": likeness.compared_s,
        "polarity": "flipped" if likeness.flipped else None,
    }
    return {name: _rounded(value) for name, value in figures.items() if value is not None}


def _rounded(value: float | str) -> float | str:
    return value if isinstance(value, str) else round(value, 3)


def _copy_sentence(pair: Pair) -> str:
    """Return the sentence that names the later stem as the copy, since copies are mostly moved later."""
    one, other = pair.stems
    likeness = pair.likeness
    lag_ms = _copy_lag_ms(likeness)
    turn = -1.0 if lag_ms < 0.0 else 1.0
    if turn < 0.0:
        one, other = other, one
    changes = ", ".join([_shift(abs(lag_ms)), *_changes(likeness, turn)])
    return f"{other} is a copy of {one}, {changes}. The bus counts it twice. {COPY_ADVICE}"


def _copy_lag_ms(likeness: PairLikeness) -> float:
    """Return by how much the copy is later; hits from one sample that hold no constant lag have their median's."""
    track, onsets = likeness.track, likeness.onsets
    if onsets and onsets.alike >= ALIKE_ONSETS and (track is None or track.support < ALIKE_ONSETS):
        return onsets.lag_ms
    return track.lag_ms if track else 0.0


def _shift(lag_ms: float) -> str:
    if lag_ms < LEAST_LAG_MS:
        return "at the same place"
    return f"{lag_ms / 1000.0:.3g} s later" if lag_ms >= LONG_LAG_MS else f"{lag_ms:.2f} ms later"


def _changes(likeness: PairLikeness, turn: float) -> list[str]:
    parts = []
    drift = turn * likeness.track.drift_ppm if likeness.track else 0.0
    if abs(drift) >= DRIFT_PPM:
        parts.append(f"{abs(drift) / 1e4:.3f} % {'slower' if drift > 0 else 'faster'}")
    if likeness.flipped:
        parts.append("with its polarity flipped")
    level = turn * (likeness.level_db or 0.0)
    if abs(level) >= SAME_LEVEL_DB:
        parts.append(f"{abs(level):.1f} dB {'louder' if level > 0 else 'softer'}")
    if (likeness.level_depth_db or 0.0) < COPY_LEVEL_DB:
        parts.append("filtered or in a room")
    return parts


def _double_sentence(pair: Pair) -> str:
    one, other = pair.stems
    return f"{one} and {other} are two performances{_tightness(pair.likeness.onsets)}{_balance(pair)}."


def _tightness(onsets: OnsetTrack | None) -> str:
    if onsets is None:
        return "; timing can't be measured here"
    side = "behind" if onsets.lag_ms > 0 else "ahead"
    middle = "in time" if abs(onsets.lag_ms) < 0.5 else f"{abs(onsets.lag_ms):.0f} ms {side}"
    return f"; the second is usually {middle}, notes wander by {max(1.0, onsets.spread_ms):.0f} ms"


def _balance(pair: Pair) -> str:
    level = pair.likeness.level_db
    if level is None:
        return ""
    if abs(level) < SAME_LEVEL_DB:
        return "; both are equally loud"
    return f"; {pair.stems[1 if level > 0 else 0]} is {abs(level):.1f} dB louder"


def _unsure_sentence(pair: Pair) -> str:
    one, other = pair.stems
    if may_be_copy(pair.likeness):
        return (
            f"{one} and {other} are the same performance: a second microphone, or a copy with room added. "
            "Only you know."
        )
    if pair.likeness.pitch_cents is not None:
        return (
            f"{other} sounds like {one} shifted in pitch by {abs(pair.likeness.pitch_cents):.0f} cents: a copy, or "
            "both play one stored sound. Only you know."
        )
    if pair.likeness.windows < MIN_WINDOWS:
        return f"{one} and {other} play together for too short a time to say whether one is a copy: listen to both."
    return f"Whether {one} and {other} are one performance or two can't be told from their sound: listen to both."
