"""Compares two stems: read where both play, aligned, cancelled, and their onsets timed."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stager.judge.pairs import DRIVEN_DB, asks_for_amplifier, asks_for_pitch, asks_for_room, kinship
from stager.model.pairs import Kinship, LagTrack, PairLikeness
from stager.songset.pairs.align import REACH_FRAMES, Alignment, Stretches, align, playing_windows
from stager.songset.pairs.cancel import FILTER, LEVEL, left_power, left_power_tracked
from stager.songset.pairs.driven import driven
from stager.songset.pairs.excerpts import CORE, CORE_S, MARGIN_S, MAX_STRETCHES, Signal, read_stretches
from stager.songset.pairs.fingerprints import (
    FRAMES_PER_S,
    AudioFingerprint,
    FingerprintMatch,
    audio_fingerprint,
    match,
    spectra,
)
from stager.songset.pairs.lags import flattened
from stager.songset.pairs.onsets import onset_track
from stager.songset.pairs.pitch import pitch_shift_cents
from stager.songset.pairs.room import room_left_power
from stager.system.cancel import check_stop
from stager.units import db_from_power

FAR_S: Final = 0.4
"""Shift from which on stretches are read at different places; smaller ones are found by the windows."""
FAR_ALIKE: Final = 0.6
"""Likeness of two fingerprints at a far shift that is worth looking at (own figure: parts of one song reach 0.4)."""
FAR_GAIN: Final = 0.2
"""And how much more it must be than without a shift (own figure: a song repeats itself)."""
PICK_STRETCHES: Final = 3
"""Loudest stretches by which the channels to compare are chosen."""
MOST_DRIVEN: Final = 4
"""Stretches used to look for an amplifier (own figure: 12 s of playing)."""
PLACES: Final = 3
"""Places to listen to that are named."""
Spectrum = NDArray[np.complex128]


def compare(
    one: Path,
    other: Path,
    *,
    fingerprints: tuple[AudioFingerprint, AudioFingerprint] | None = None,
    settle_s: float = 0.0,
) -> PairLikeness:
    """Compare two stems over the time in which both play; without their fingerprints, both are read twice.

    Raises:
        StemError: where one can't be read as a whole.
    """
    first, second = fingerprints or (
        audio_fingerprint(one, settle_s=settle_s),
        audio_fingerprint(other, settle_s=settle_s),
    )
    both = _Both(one, other, first, second, settle_s)
    shift_s = far_shift_s(match(*spectra((first, second))))
    far = _compared(both, shift_s) if shift_s else PairLikeness()
    return far if kinship(far) in {Kinship.COPY, Kinship.SAME_TAKE} else _compared(both, 0.0)


@dataclass(frozen=True)
class _Both:
    """Two files with their fingerprints."""

    one: Path
    other: Path
    first: AudioFingerprint
    second: AudioFingerprint
    settle_s: float


def _compared(both: _Both, shift_s: float) -> PairLikeness:
    """Compare two stems with the second read this much later."""
    cores_s = both_play_s(both.first, both.second, shift_s)
    if not cores_s:
        return PairLikeness()
    starts_s = [core_s - MARGIN_S for core_s in cores_s]
    views = read_stretches(both.one, starts_s, settle_s=both.settle_s)
    others = read_stretches(both.other, [start_s + shift_s for start_s in starts_s], settle_s=both.settle_s)
    return _likeness(cores_s, shift_s, *_alike_views(views, others))


def far_shift_s(found: FingerprintMatch) -> float:
    """Return the shift at which to compare two stems: 0, unless their fingerprints match clearly better at another."""
    speaks = found.best >= FAR_ALIKE and found.best >= found.here + FAR_GAIN
    return found.lag_s if speaks and abs(found.lag_s) > FAR_S else 0.0


def both_play_s(one: AudioFingerprint, other: AudioFingerprint, shift_s: float) -> list[float]:
    """Choose where cores begin: spread over the time in which both play, at most `MAX_STRETCHES`, the fullest first."""
    shift = round(shift_s * FRAMES_PER_S)
    first, second = one.plays, other.plays
    low, high = max(0, -shift), min(len(first), len(second) - shift)
    if low >= high:
        return []
    both = np.zeros(high, np.bool_)
    both[low:] = first[low:high] & second[low + shift : high + shift]
    size = CORE_S * FRAMES_PER_S
    counts = [int(both[at : at + size].sum()) for at in range(low, high, size)]
    groups = np.array_split(np.arange(len(counts)), min(MAX_STRETCHES, len(counts)))
    best = [int(group[np.argmax([counts[k] for k in group])]) for group in groups]
    return [(low + k * size) / FRAMES_PER_S for k in best if counts[k]]


def _alike_views(ones: Sequence[Sequence[Signal]], others: Sequence[Sequence[Signal]]) -> tuple[list[Signal], ...]:
    """Choose a view of each stem, such as the left channels, by which they are most alike."""
    by_view = [[list(view) for view in zip(*stem, strict=True)] for stem in (ones, others)]
    if len(by_view[0]) == len(by_view[1]) == 1:
        return by_view[0][0], by_view[1][0]
    loud = np.argsort([-float(np.square(view[0]).sum()) for view in ones], kind="stable")[:PICK_STRETCHES]
    spectra_of = [
        [[np.fft.rfft(signal) for signal in flattened([view[k] for k in loud])] for view in stem] for stem in by_view
    ]
    scores = {
        (first, second): _alike(x, y) for first, x in enumerate(spectra_of[0]) for second, y in enumerate(spectra_of[1])
    }
    first, second = max(scores, key=lambda key: scores[key])
    return by_view[0][first], by_view[1][second]


def _alike(ones: Sequence[Spectrum], others: Sequence[Spectrum]) -> float:
    """Return the largest correlation of whole stretches within reach, 0 to 1, from their transforms."""
    sums = np.abs(np.sum([np.fft.irfft(np.conj(x) * y) for x, y in zip(ones, others, strict=True)], axis=0))
    power = [sum(float(np.square(np.fft.irfft(x)).sum()) for x in stem) for stem in (ones, others)]
    near = max(float(sums[: REACH_FRAMES + 1].max()), float(sums[-REACH_FRAMES:].max()))
    return near / float(np.sqrt(power[0] * power[1] + 1e-30))


def _likeness(cores_s: Sequence[float], shift_s: float, ones: list[Signal], others: list[Signal]) -> PairLikeness:
    check_stop()
    flat = Stretches([core_s - MARGIN_S for core_s in cores_s], flattened(ones), flattened(others))
    playing = playing_windows(ones)
    found = align(flat, playing)
    if found is None:
        return PairLikeness()
    likeness = PairLikeness(
        compared_s=float(CORE_S * len(cores_s)),
        windows=int(playing.sum()),
        similarity=min(1.0, float(np.median(np.abs(found.near.r)))),
        track=_track(found, shift_s),
        onsets=onset_track(flat.ones, flat.others),
        flipped=_product(flat.ones, found.laid) < 0.0,
        level_db=_level_db(ones, others),
        level_depth_db=_depth_db(partial(left_power, reach=LEVEL), flat.ones, found.laid),
        filter_depth_db=_depth_db(partial(left_power_tracked, reach=FILTER), flat.ones, found.laid),
        at_s=tuple(float(core_s) for core_s in cores_s[:PLACES]),
    )
    if asks_for_room(likeness):
        return likeness.model_copy(update={"room_depth_db": _depth_db(room_left_power, flat.ones, found.laid)})
    heard = _amplified(likeness, flat, (ones, others), shift_s) if asks_for_amplifier(likeness) else likeness
    if not asks_for_pitch(heard):
        return heard
    return heard.model_copy(update={"pitch_cents": pitch_shift_cents(flat.ones, flat.others, playing)})


def _amplified(
    likeness: PairLikeness, flat: Stretches, raw: tuple[list[Signal], list[Signal]], shift_s: float
) -> PairLikeness:
    """Return the likeness with the depth of cancellation, and the lag, once one stem is driven like an amplifier."""
    some = slice(None, None, -(-len(flat.ones) // MOST_DRIVEN))
    starts_s = flat.starts_s[some]
    best, track = 0.0, likeness.track
    for ones, others in ((flattened(driven(raw[0])), flat.others), (flat.ones, flattened(driven(raw[1])))):
        found = align(Stretches(starts_s, ones[some], others[some]), playing_windows(ones[some]))
        depth_db = _depth_db(partial(left_power, reach=FILTER), ones[some], found.laid) if found else 0.0
        if found and depth_db > best:
            best, track = depth_db, _track(found, shift_s) if depth_db >= DRIVEN_DB else track
    return likeness.model_copy(update={"driven_depth_db": best, "track": track})


def _track(found: Alignment, shift_s: float) -> LagTrack:
    away = np.abs(found.near.lag_s - found.drift.at(found.near.at_s))
    return LagTrack(
        lag_ms=1000.0 * (shift_s + float(found.drift.at(np.zeros(1))[0])),
        drift_ppm=1e6 * found.drift.slope,
        support=min(1.0, found.support),
        spread_ms=1000.0 * float(np.median(away)),
    )


def _depth_db(
    left: Callable[[Sequence[Signal], Sequence[Signal]], float], ones: Sequence[Signal], others: Sequence[Signal]
) -> float:
    """Return by how many dB one cancels the other, whichever way round goes deeper; 0 for not at all."""
    check_stop()
    power = min(left(ones, others), left(others, ones))
    return max(0.0, -(db_from_power(power) or 0.0))


def _product(ones: Sequence[Signal], others: Sequence[Signal]) -> float:
    return float(sum((one[CORE] * other[CORE]).sum() for one, other in zip(ones, others, strict=True)))


def _level_db(ones: Sequence[Signal], others: Sequence[Signal]) -> float | None:
    first, second = (sum(float(np.square(x[CORE], dtype=np.float64).sum()) for x in stem) for stem in (ones, others))
    return db_from_power(second / first) if first > 0.0 else None
